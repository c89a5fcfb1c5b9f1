package main

import (
	"math"
	"slices"
	"time"

	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// quantiles of something uncertain.
type quantiles struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

func quantilesOf(values []float64) quantiles {
	slices.Sort(values)
	at := func(q float64) float64 { return values[int(q*float64(len(values)-1)+0.5)] }
	return quantiles{at(0.1), at(0.5), at(0.9)}
}

// around is what is believed before brew day of a positive number: lognormal.
type around struct{ median, sd float64 }

func (a around) at(z float64) float64 { return a.median * math.Exp(a.sd*z) }

// pace is how fast a yeast of a class goes at 20 °C. The figures are of brewing
// as this project knows it, common practice: about 0.1 points an hour when a
// weak wort has fallen by some points, after a slow first day. TestPaceOfCaptures
// holds them against the captures' truth.
type pace struct {
	atStop around // points an hour when the crash starts
	mean   around // points an hour from the end of the lag to the stop
	lag    around // hours
}

func paceOf(y projection.Yeast) pace {
	if y == projection.MaltoseNegative {
		return pace{atStop: around{0.055, 0.6}, mean: around{0.05, 0.5}, lag: around{24, 0.5}}
	}
	return pace{atStop: around{0.1, 0.6}, mean: around{0.09, 0.5}, lag: around{18, 0.5}}
}

// changeOfRate is the factor of a yeast's rate for every 10 K: 2 to 3 is a sane
// prior (published sets span 1.5 to 4); those are the 10 and 90 % here.
func changeOfRate() around { return around{math.Sqrt(6), math.Log(1.5) / 2 / 1.2816} }

// coolingDoubt is the spread of the log of a brewer's cooling time constant.
const coolingDoubt = 0.13

// overRunTime is how long after its start the crash's over-run is counted: until
// the beer is cold and most yeast has sunk.
func overRunTime(timeConstant time.Duration) time.Duration {
	return max(30*time.Hour, 4*timeConstant)
}

// expectation is what to expect of time and over-run.
type expectation struct {
	overRun quantiles // points
	lead    quantiles // hours
	days    quantiles // from pitch until the crash must start
	target  quantiles // days from pitch until the target if nobody acts
}

// expect weighs equally likely cases on a grid: rate, its change with
// temperature, cooling, lag. A lead is the over-run in hours at the rate that the
// beer had when the crash started.
func expect(r planRequest, toStop, toTarget gravity.Points) expectation {
	const cases = 9 // a side
	var overRuns, leads, days, targets []float64
	p, horizon := paceOf(r.yeast), overRunTime(r.timeConstant)
	z := func(i int) float64 { return gravity.NormalQuantile((float64(i) + 0.5) / cases) }
	for i := range cases * cases * cases * cases {
		rate, q10, cool, lag := z(i%cases), z(i/cases%cases), z(i/cases/cases%cases), z(i/cases/cases/cases)
		q := changeOfRate().at(q10)
		tau := time.Duration(float64(r.timeConstant) * math.Exp(coolingDoubt*cool))
		warmth := ferment.Q10Factor(q, r.temperature, 20)
		lead := ferment.EquivalentHours(r.temperature, r.crashTo, tau, q, horizon)
		over := p.atStop.at(rate) * warmth * lead
		speed := p.mean.at(rate) * warmth
		wait := p.lag.at(lag) / warmth
		overRuns, leads = append(overRuns, over), append(leads, lead)
		days = append(days, (wait+math.Max(0, float64(toStop)-over)/speed)/24)
		targets = append(targets, (wait+float64(toTarget)/speed)/24)
	}
	return expectation{quantilesOf(overRuns), quantilesOf(leads), quantilesOf(days), quantilesOf(targets)}
}
