package projection

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// Law: a hand sample that has nothing to do with the beer, of the wrong vessel,
// read in hot wort or typed with a wrong digit, leaves the belief where it was.
func TestASampleOfNoSuchBeerMovesNothing(t *testing.T) {
	b := beer{15, 16, 0.08, 9}
	before := fresh(t)
	send(before, b, 0, 40, "float-1", 1.5, nil)
	at := before.batch.PitchedAt.Add(40 * time.Hour)
	before.Advance(at)
	want, by := before.Estimate(), before.Project().CrashBy
	hot := gravity.Celsius(68)
	for name, s := range map[string]Sample{
		"ten points above the original gravity": {Gravity: new(gravity.SG(1.0250))},
		"read at 68 °C, or °F":                  {Gravity: new(gravity.SG(1.0118)), Temperature: &hot},
		"a digit too many":                      {Gravity: new(gravity.SG(1.1120))},
		"far below all that ferments":           {Gravity: new(gravity.SG(0.9850))},
	} {
		t.Run(name, func(t *testing.T) {
			e := before.Clone()
			s.Time = at
			e.Sample(s)
			got := e.Estimate()
			require.InDelta(t, float64(want.Gravity), float64(got.Gravity), 0.1*float64(want.GravitySD))
			require.InDelta(t, float64(want.ABV), float64(got.ABV), 0.1*float64(want.ABVSD))
			require.WithinDuration(t, *by, *e.Project().CrashBy, time.Hour)
			require.Equal(t, Contradicted, e.Suspect()[0].Doubt, "and it is asked about")
		})
	}
}

func TestWhatIsOddOfASample(t *testing.T) {
	wort := Batch{OriginalGravity: 1.0132}
	of := func(g, celsius, bx float64) Sample {
		s := Sample{}
		if g != 0 {
			s.Gravity = new(gravity.SG(g))
		}
		if celsius != 20 {
			s.Temperature = new(gravity.Celsius(celsius))
		}
		if bx != 0 {
			s.Brix = new(gravity.Brix(bx))
		}
		return s
	}
	for name, one := range map[string]struct {
		sample Sample
		want   []Oddity
	}{
		"usual":                       {of(1.0118, 20, 0), nil},
		"at the original gravity":     {of(1.0150, 20, 0), nil}, // 1.8 points above, within the errors of both
		"above it":                    {of(1.0153, 20, 0), []Oddity{AboveOriginal}},
		"above it once corrected":     {of(1.0125, 33, 0), []Oddity{AboveOriginal}},
		"at 68 degrees":               {of(1.0118, 68, 0), []Oddity{HotSample}},
		"cold, and read so":           {of(1.0125, 1, 0), nil},
		"twenty °F":                   {of(1.0118, -6.7, 0), []Oddity{FrozenSample}},
		"all extract gone, and error": {of(0.9955, 20, 0), nil}, // −2.9 points is real extract nought by Balling
		"less than no extract":        {of(0.9949, 20, 0), []Oddity{BelowAllExtract}},
		"refractometer":               {of(0, 20, 3.5), nil},
		"refractometer, another beer": {of(0, 20, 6), []Oddity{BrixAboveOriginal}},
		"refractometer, beer at rest": {of(0, 20, 1.2), nil},
		"refractometer, water":        {of(0, 20, 0.1), []Oddity{BrixBelowExtract}},
		"SG typed as °Bx":             {of(1.0250, 20, 12), []Oddity{AboveOriginal, BrixAboveOriginal}},
		"pH alone":                    {Sample{PH: new(4.2)}, nil},
		"sour beer":                   {Sample{PH: new(3.0)}, nil},
		"fresh wort":                  {Sample{PH: new(5.8)}, nil},
		"pH 2":                        {Sample{PH: new(2.0)}, []Oddity{OddPH}},
		"pH of water":                 {Sample{PH: new(7.0)}, []Oddity{OddPH}},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, one.want, wort.Odd(one.sample)) })
	}
}
