package ferment

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

func floatOf(f Float) *Float {
	f.rng = rand.New(rand.NewPCG(1, 2))
	return &f
}

// errors reads a float n times at 15 minutes in a beer of 1.010 at 20 °C.
func errorsOf(f *Float, n int) []float64 {
	out := make([]float64, 0, n)
	for i := range n {
		r, sent := f.read(float64(i)/4, 0.25, 1.010, 20)
		if sent {
			out = append(out, float64((*r.Gravity-1.010)*1000))
		}
	}
	return out
}

func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x))
	}
	return mean, math.Sqrt(sd)
}

func TestFloatErrsAsItSays(t *testing.T) {
	_, sd := meanSD(errorsOf(floatOf(Float{White: 0.5}), 20000))
	require.InDelta(t, 0.5, sd, 0.02, "white noise")

	wandering := errorsOf(floatOf(Float{Wander: 0.5, WanderHours: 4}), 40000)
	_, sd = meanSD(wandering)
	require.InDelta(t, 0.5, sd, 0.05, "lasting noise")
	var together float64
	for i := range len(wandering) - 16 {
		together += wandering[i] * wandering[i+16] / float64(len(wandering)-16)
	}
	require.InDelta(t, math.Exp(-1), together/(sd*sd), 0.08, "correlation after its own time of 4 h")

	off := errorsOf(floatOf(Float{Offset: 3, Drift: -0.5}), 4*24*4+1)
	require.InDelta(t, 3, off[0], 0.05)
	require.InDelta(t, 3-0.5*4, off[len(off)-1], 0.05, "after four days of drift")

	far := 0
	for _, e := range errorsOf(floatOf(Float{Outliers: 0.04}), 5000) {
		if math.Abs(e) >= 3.9 {
			far++
		}
	}
	require.InDelta(t, 200, far, 45, "outliers")
}

func TestEpisodesOfAFloat(t *testing.T) {
	lifted := errorsOf(floatOf(Float{Lifts: []Lift{{Episode{2, 6}, 4, false}, {Episode{8, 10}, -5, true}}}), 48)
	require.InDelta(t, 0, lifted[0], 0.01)
	require.InDelta(t, 4, lifted[4*4], 0.06, "foam is highest halfway")
	require.InDelta(t, 0, lifted[6*4], 0.06)
	require.InDelta(t, -5, lifted[8*4], 0.06, "an abrupt one is there at once")
	require.InDelta(t, 0, lifted[10*4], 0.06)

	require.Len(t, errorsOf(floatOf(Float{Silent: []Episode{{3, 5}}}), 40), 40-8)

	stuck := errorsOf(floatOf(Float{White: 1, Stuck: []Episode{{1, 5}}}), 40)
	for _, e := range stuck[4:20] {
		require.InDelta(t, stuck[4], e, 0)
	}
	require.NotEqual(t, stuck[4:5], stuck[20:21])

	// What one reading shows must not depend on an episode before it.
	clean, faulty := errorsOf(floatOf(Float{White: 1}), 60), errorsOf(floatOf(Float{White: 1, Stuck: []Episode{{1, 5}}}), 60)
	require.Equal(t, clean[20:], faulty[20:])
}

// What a float shows off 20 °C depends on its body. The table is computed from
// the density of sugar solutions (ICUMSA SPS-4) and handbook values of cubic
// expansion; the float here takes the beer to expand as water does, which at
// 0 °C is up to half a point less for a beer of 1.010.
func TestFloatOffCalibrationTemperatureByItsBody(t *testing.T) {
	bodies := map[string]float64{"glass_25e-6": 25e-6, "stainless_52e-6": 52e-6, "polycarbonate_200e-6": 200e-6, "HDPE_400e-6": 400e-6}
	checked := 0
	for _, r := range readReference(t, "float_temp_correction_sg.csv") {
		shown, temp := r.num(t, "obs_sg"), gravity.Celsius(r.num(t, "t_C"))
		if shown > 1.011 || temp > 25 {
			continue
		}
		for column, expansion := range bodies {
			want := r.num(t, column)
			f := floatOf(Float{Expansion: expansion})
			got, _ := f.read(0, 0, gravity.SG(shown+want), temp)
			require.InDelta(t, shown, float64(*got.Gravity), 0.00055, "%s %v", column, r)
			checked++
		}
	}
	require.Greater(t, checked, 60)
}

// Two floats and a probe in one beer err each by itself.
func TestPairOfFloatsAndAProbe(t *testing.T) {
	v := Draw(3, Pair)
	var probe, one, two []float64
	for h := 0.0; h < 200; h += 0.25 {
		truth := v.At(after(v, h))
		shown := v.Read(after(v, h))
		require.Len(t, shown, 3)
		require.Equal(t, []string{"float-1", "float-2", "probe-1"}, []string{shown[0].Sensor, shown[1].Sensor, shown[2].Sensor})
		require.Nil(t, shown[2].Gravity)
		one = append(one, float64(*shown[0].Gravity-truth.Gravity)*1000)
		two = append(two, float64(*shown[1].Gravity-truth.Gravity)*1000)
		probe = append(probe, float64(shown[2].Temperature-truth.Temperature))
	}
	off, sd := meanSD(probe)
	require.InDelta(t, v.Thermometers[0].Offset, off, 0.01)
	require.InDelta(t, 0.03, sd, 0.005)
	require.NotEqual(t, one, two)
}
