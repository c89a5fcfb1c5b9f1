package ferment

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"ebbline/projection/gravity"
)

// Kind names what is special about a virtual batch.
type Kind string

// The kinds of virtual batch.
const (
	Plain     Kind = "plain"     // a decent float, a steady room
	Noisy     Kind = "noisy"     // a float twice as noisy, always lifted for hours
	Faults    Kind = "faults"    // outliers, hours of silence, an episode of wrong readings
	Swing     Kind = "swing"     // the room swings by 1 to 3 °C a day
	SlowCool  Kind = "slowcool"  // cooling time constant of 9 to 16 h
	MaltNeg   Kind = "maltneg"   // yeast that takes no maltose
	Ceiling12 Kind = "ceiling12" // original gravity 1.018 to 1.030, ceiling 1.2 %
	Cells     Kind = "cells"     // yeast of the second family: one sugar, latent and active cells
	Pair      Kind = "pair"      // two floats and a probe for the temperature
	Curve     Kind = "curve"     // yeast of the third family: a curve without sugars or cells
	Step      Kind = "step"      // the room is set 2 to 5 °C warmer or colder on the second or third day
	Silence   Kind = "silence"   // nothing is sent for 24 hours
	Stuck     Kind = "stuck"     // the float is stuck for 12 to 36 hours
	Swap      Kind = "swap"      // another float takes the place of the first
	Misread   Kind = "misread"   // the original gravity as written is wrong by three points
)

// Kinds are all kinds of virtual batch.
func Kinds() []Kind {
	return []Kind{Plain, Noisy, Faults, Swing, SlowCool, MaltNeg, Ceiling12, Cells, Pair, Curve, Step, Silence, Stuck, Swap, Misread}
}

// ParseKind reads the name of a kind.
func ParseKind(name string) (Kind, error) {
	if k := Kind(name); slices.Contains(Kinds(), k) {
		return k, nil
	}
	return "", fmt.Errorf("unknown kind of virtual batch %q: use one of %v", name, Kinds())
}

// dice draws from the distributions a batch is made of.
type dice struct{ *rand.Rand }

func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }

func (d dice) normal(mean, sd float64) float64 { return mean + sd*d.NormFloat64() }

// around is lognormal with the given median and standard deviation of the log.
func (d dice) around(median, sd float64) float64 { return median * math.Exp(sd*d.NormFloat64()) }

// Draw makes the virtual batch of a seed and a kind, pitched on 2 March 2026 at
// 18:00 UTC; the caller may move PitchedAt before the first step. The same seed
// and kind give the same batch.
//
// The ranges are those of home brewing as this project knows it (common
// practice): sugars by share of extract as in published analyses of wort, rates
// so that a 0.5 % ceiling is crossed between one and seven days after pitch.
func Draw(seed uint64, kind Kind) *Virtual {
	name := fnv.New64a()
	name.Write([]byte(kind)) // never fails
	d := dice{rand.New(rand.NewPCG(seed, name.Sum64()))}

	v := &Virtual{Seed: seed, Kind: kind, crashed: math.Inf(1)}
	v.og = gravity.SG(d.between(1.0105, 1.021))
	limit := gravity.ABV(0.5)
	if kind == Ceiling12 {
		v.og, limit = gravity.SG(d.between(1.018, 1.030)), 1.2
	}
	v.drawRoom(d)
	v.Brew = Brew{
		Volume: 19, OriginalGravity: ReadByHand(v.og, d.Rand),
		Ceiling: gravity.Ceiling{Limit: limit}, MaltoseNegative: kind == MaltNeg,
		PitchedAt:    time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC),
		ResponseTime: 30 * time.Minute, CrashTo: 2,
		TimeConstant: (v.cooling * time.Duration(math.Round(100*max(0.7, d.normal(1.05, 0.1)))) / 100).Round(time.Minute),
	}
	extract := float64(v.og.Plato())
	switch kind {
	case Cells:
		v.strain = drawCells(d, extract)
	case Curve:
		v.strain = drawSigmoid(d, extract)
	default:
		v.strain = drawMechanistic(d, extract, kind == MaltNeg)
	}
	v.drawSensors(d)
	v.drawMishap(d)
	source := func() *rand.Rand { return rand.New(rand.NewPCG(seed, d.Uint64())) }
	v.hand = source()
	for _, f := range v.Floats {
		f.rng = source()
	}
	for _, p := range v.Thermometers {
		p.rng = source()
	}
	v.state = v.strain.pitch()
	v.solver = newRungeKutta(len(v.state))
	v.beer = v.room.at(0) + v.room.pitchedWarmer
	return v
}

func (v *Virtual) drawSensors(d dice) {
	v.Floats = []*Float{drawFloat(d, v.Kind)}
	if v.Kind == Pair || v.Kind == Swap {
		v.Floats = append(v.Floats, drawFloat(d, v.Kind))
		v.Floats[1].Name = "float-2"
		v.Thermometers = []*Thermometer{{Name: "probe-1", Offset: d.normal(0, 0.1), Noise: 0.03}}
	}
}

// drawMishap draws what goes wrong once in the kinds that are named for it.
func (v *Virtual) drawMishap(d dice) {
	first := v.Floats[0]
	switch v.Kind {
	case Silence:
		from := d.between(12, 60)
		first.Silent = append(first.Silent, Episode{from, from + 24})
	case Stuck:
		from := d.between(12, 60)
		first.Stuck = append(first.Stuck, Episode{from, from + d.between(12, 36)})
	case Swap:
		at := d.between(18, 60)
		first.Silent = append(first.Silent, Episode{at, math.Inf(1)})
		v.Floats[1].Silent = append(v.Floats[1].Silent, Episode{0, at + d.between(0.25, 3)})
	case Misread:
		v.OriginalGravity += gravity.SG(math.Copysign(0.003, d.Float64()-0.5))
	case Step:
		v.room.step = gravity.Celsius(math.Copysign(d.between(2, 5), d.Float64()-0.5))
		v.room.stepAt = d.between(24, 60)
	}
}

func (v *Virtual) drawRoom(d dice) {
	v.room = room{
		mean: gravity.Celsius(d.between(17, 23)), warmest: d.between(18, 24),
		timeConstant: d.between(5, 12), pitchedWarmer: gravity.Celsius(d.normal(0, 0.7)),
	}
	cooling := min(10, d.around(4.5, 0.45))
	switch v.Kind {
	case Swing:
		v.room.swing = gravity.Celsius(d.between(1, 3))
	case SlowCool:
		cooling = d.between(9, 16)
	}
	v.cooling = time.Duration(cooling * float64(time.Hour)).Round(time.Minute)
}

// drawMechanistic draws a yeast and the sugars of a wort of that extract, °P.
// Shares of extract: simple sugars 7 to 13 %, maltose 30 to 47 %, maltotriose
// reached 6 to 15 % (published analyses: 10 to 12, 43 to 47, 11 to 13 %; a wort
// for low alcohol is mashed for less maltose).
func drawMechanistic(d dice, extract float64, maltoseNegative bool) *mechanistic {
	rate := d.around(0.0095, 0.5)
	m := &mechanistic{
		sugar:   [3]float64{extract * d.between(0.07, 0.13), extract * d.between(0.30, 0.47), extract * d.between(0.06, 0.15)},
		maximum: [3]float64{rate * d.between(1.2, 3), rate, rate * d.between(0.3, 0.8)},
		half:    [3]float64{d.between(0.04, 0.15), d.between(0.2, 0.6), d.between(0.2, 0.6)},
		energy:  [3]float64{d.normal(75, 10), d.normal(57, 8), d.normal(45, 8)},
		repress: [2]float64{d.around(1, 0.8), d.around(4, 0.6)},
		yield:   d.between(1, 3.5), crowd: d.between(1.6, 3.5),
		wake: d.between(0.12, 0.45), wakeEnergy: d.normal(60, 8),
		sink: drawSinking(d),
	}
	lag := min(36, d.around(14, 0.4)) // hours at 20 °C
	m.readiness = 1 / math.Expm1(m.wake*lag)
	if maltoseNegative {
		m.sugar = [3]float64{extract * d.between(0.08, 0.20), 0, 0}
	}
	return m
}

func drawSinking(d dice) sinking {
	return sinking{
		warm: d.between(0.001, 0.006), cold: 1 / d.around(26, 0.5),
		bend: gravity.Celsius(d.between(5, 10)), width: d.between(1, 2.5),
	}
}

// drawCells draws a yeast of the second family; it reaches 45 to 70 % of the
// extract.
func drawCells(d dice, extract float64) *twoCells {
	sugar := extract * d.between(0.45, 0.7)
	return &twoCells{
		sugar: sugar, awake: d.between(0.01, 0.1),
		grow: d.between(0.03, 0.09), eat: d.around(0.012, 0.45), wakeUp: 1 / d.around(18, 0.4), die: d.between(0.001, 0.005),
		growEnergy: d.normal(70, 10), eatEnergy: d.normal(55, 8), wakeEnergy: d.normal(75, 8), // published for waking: 79
		half: d.between(0.1, 0.5), inhibition: sugar * d.between(1, 3),
		sink: drawSinking(d),
	}
}

// drawSigmoid draws a yeast of the third family; it reaches 45 to 75 % of the
// extract.
func drawSigmoid(d dice, extract float64) *sigmoid {
	return &sigmoid{
		sugar: extract * d.between(0.45, 0.75), rate: d.around(0.038, 0.45), seed: d.around(0.004, 0.8),
		rise: d.between(0.5, 0.85), level: d.between(1, 2), coldest: gravity.Celsius(d.between(-12, -5)),
		sink: drawSinking(d),
	}
}

func drawFloat(d dice, kind Kind) *Float {
	f := &Float{
		Name: "float-1", Offset: gravity.Points(d.normal(0, 1.5)), Drift: gravity.Points(d.normal(0, 0.08)),
		White: gravity.Points(d.between(0.25, 0.4)), Wander: gravity.Points(d.between(0.2, 0.5)),
		WanderHours: d.between(2, 8), Expansion: max(0, d.normal(3e-5, 3e-5)),
		ThermometerOffset: d.normal(0, 0.2), ThermometerNoise: 0.06,
	}
	lifts := 0
	if d.Float64() < 0.35 {
		lifts = 1
	}
	if kind == Noisy {
		f.White, f.Wander = 2*f.White, 2*f.Wander
		lifts = 1 + d.IntN(2)
	}
	for range lifts {
		from := d.between(8, 90)
		f.Lifts = append(f.Lifts, Lift{Episode{from, from + d.between(4, 16)}, gravity.Points(d.between(1, 4)), false})
	}
	if kind == Faults {
		drawFaults(d, f)
	}
	return f
}

// drawFaults adds one to three silences and one episode in which the float is
// stuck, or hangs on something.
func drawFaults(d dice, f *Float) {
	f.Outliers = 0.04
	for range 1 + d.IntN(3) {
		from := d.between(4, 120)
		f.Silent = append(f.Silent, Episode{from, from + d.between(2, 12)})
	}
	from := d.between(10, 90)
	wrong := Episode{from, from + d.between(3, 12)}
	if d.Float64() < 0.5 {
		f.Stuck = append(f.Stuck, wrong)
		return
	}
	by := math.Copysign(d.between(3, 9), d.Float64()-0.5)
	f.Lifts = append(f.Lifts, Lift{wrong, gravity.Points(by), true})
}
