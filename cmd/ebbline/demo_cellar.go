package main

import (
	"time"

	"ebbline/alert"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

const (
	// pause is how long the brewer takes to do what the phone asks for, if it is
	// not the crash.
	pause = time.Hour
	// coldBeforeKeg is how long the virtual brewer lets beer lie in the cold
	// before it is kegged.
	coldBeforeKeg = 48 * time.Hour
	// coldAtRest is the same for beer that had come to rest before it was cooled.
	coldAtRest = 24 * time.Hour
	// restsAnyway is when the brewer cools a batch that will stay below its
	// ceiling by itself, after pitch: there is no hurry.
	restsAnyway = 60 * time.Hour
	// patience is when the brewer cools a batch of which the phone said nothing.
	patience = 144 * time.Hour
)

// vat is one batch of the virtual cellar: its truth, what its brewer has done,
// and what ebbline said last.
type vat struct {
	name, vessel string
	remark       string // what is special about it, a sentence
	v            *ferment.Virtual
	sampleEvery  time.Duration // by hand, the first after 20 hours; zero: only at pitch

	id        string
	shown     gravity.SG // by the float, last
	estimate  *projection.Estimate
	sampleAt  time.Time // when the next sample is drawn, zero: none is planned
	phAt      time.Time // the same for pH
	phTaken   bool
	coolAt    time.Time // when the brewer has resolved to start the crash
	why       string    // and for what reason
	rests     bool      // ebbline says that it stays below by itself
	crashed   time.Time
	kegged    time.Time
	finalTrue gravity.ABV
}

// cellar is the scenario: an invented brewer, Maren, and three batches in her
// cellar, pitched at the same hour.
func cellar(pitched time.Time) []*vat {
	good := ferment.Draw(49, ferment.Plain)
	f := good.Floats[0]
	f.Name, f.Offset, f.Wander, f.Expansion = "float-oak", 0.4, 0.2, 0

	crooked := ferment.Draw(72, ferment.Plain)
	f = crooked.Floats[0]
	f.Name, f.Offset, f.Drift = "float-tin", 3, 0.5
	f.Lifts = []ferment.Lift{{Episode: ferment.Episode{From: 26, To: 34}, By: 2.5}}

	gentle := ferment.Draw(24, ferment.MaltNeg)
	gentle.Floats[0].Name = "float-jar"

	vats := []*vat{
		{name: "Lantern Pale", vessel: "the oak churn", v: good, remark: "Its float is a decent one."},
		{
			name: "Crooked Mild", vessel: "the tin tub", v: crooked, sampleEvery: 12 * time.Hour,
			remark: "Its float is a bad one: it shows three points too much, drifts further up, and foam will lift it. So she takes a sample by hand twice a day.",
		},
		{name: "Orchard Wheat", vessel: "the tall jar", v: gentle, remark: "Its yeast takes no maltose, so it should stop by itself."},
	}
	for _, b := range vats {
		b.v.PitchedAt = pitched
		if b.sampleEvery > 0 {
			b.sampleAt = pitched.Add(20 * time.Hour)
		}
	}
	return vats
}

// deed is one thing the virtual brewer does.
type deed string

const (
	takeSample deed = "sample"
	measurePH  deed = "pH"
	startCrash deed = "crash"
	fillKeg    deed = "keg"
)

// hears lets the brewer take notice of what ebbline said, and reports whether
// it was an alert to be acknowledged.
func (b *vat) hears(e alert.Event) (acknowledge bool) {
	switch {
	case e.Estimate != nil:
		b.estimate = e.Estimate
		return false
	case e.Alert == nil:
		return false
	}
	switch e.Alert.Kind {
	case alert.CrashNow, alert.OverCeiling:
		b.rests = false
		b.resolve(e.Time.Add(b.v.ResponseTime), "the phone asked for it")
	case alert.StaysBelow:
		b.rests = true
		b.resolve(later(e.Time.Add(b.v.ResponseTime), b.v.PitchedAt.Add(restsAnyway)), "ebbline expects it to stay below by itself, so there was no hurry")
	case alert.SampleDue:
		if at := e.Time.Add(pause); b.sampleAt.IsZero() || at.Before(b.sampleAt) {
			b.sampleAt = at
		}
	case alert.PH:
		b.phAt = e.Time.Add(pause)
	}
	return e.Alert.Severity == alert.Urgent
}

// resolve sets when the crash starts, unless it is to start sooner already.
func (b *vat) resolve(at time.Time, why string) {
	if b.coolAt.IsZero() || at.Before(b.coolAt) {
		b.coolAt, b.why = at, why
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// due is what the brewer does at t, if anything.
func (b *vat) due(t time.Time) []deed {
	if !b.kegged.IsZero() {
		return nil
	}
	var list []deed
	if reached(t, b.sampleAt) {
		list = append(list, takeSample)
	}
	if reached(t, b.phAt) && !b.phTaken {
		list = append(list, measurePH)
	}
	if b.crashed.IsZero() && !t.Before(b.v.PitchedAt.Add(patience)) {
		b.resolve(t, "nothing had been heard for days")
	}
	if b.crashed.IsZero() && reached(t, b.coolAt) {
		list = append(list, startCrash)
	}
	cold := coldBeforeKeg
	if b.rests {
		cold = coldAtRest
	}
	if !b.crashed.IsZero() && reached(t, b.crashed.Add(cold)) {
		if !b.phTaken {
			list = append(list, measurePH)
		}
		list = append(list, fillKeg)
	}
	return list
}

// reached reports whether a plan is made and its time has come.
func reached(t, plan time.Time) bool { return !plan.IsZero() && !t.Before(plan) }

// samples draws a sample and plans the next one, if there is to be one before
// the crash.
func (b *vat) samples(t time.Time) gravity.SG {
	b.sampleAt = time.Time{}
	if b.sampleEvery > 0 && b.crashed.IsZero() {
		b.sampleAt = t.Add(b.sampleEvery)
	}
	return b.v.Sample(t)
}

// cools starts the crash of the virtual beer.
func (b *vat) cools(t time.Time) {
	b.v.StartCrash(t)
	b.crashed = t
}

// isKegged closes the account: what is believed, and what the beer will be
// after five more days in the cold.
func (b *vat) isKegged(t time.Time, believed *projection.Estimate) {
	b.kegged, b.estimate = t, believed
	b.finalTrue = b.v.FinalABVIfCrash(t)
}

// held reports whether the finished beer keeps its ceiling in truth.
func (b *vat) held() bool { return b.v.Ceiling.Holds(b.finalTrue) }
