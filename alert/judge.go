package alert

import (
	"fmt"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// judge finds what there is to tell at a moment. Each judge returns the
// findings of one kind; they are pure.
func judge(v *view) []finding {
	if v.packaged != nil {
		return append(packagedRestless(v), ph(v)...)
	}
	var found []finding
	for _, j := range []func(*view) []finding{
		overCeiling, crashNow, staysBelow, notStarted, evening, crashSoon, notCooling, stillFermenting,
		silence, suspect, gone, temperature, sampleDue, ph,
	} {
		found = append(found, j(v)...)
	}
	return found
}

const (
	// overAt and overGone are the probabilities at which the beer is believed to
	// be above the ceiling, and no longer.
	overAt, overGone = 0.5, 0.25
	// belowAt and belowGone are those of ever passing it, for stays-below.
	belowAt, belowGone = 0.03, 0.10
	// begun is a drop that fermentation must have made before a rest below the
	// ceiling means anything, points.
	begun = 1.0
	// notBegun is a drop that fermentation has made once it runs, points.
	notBegun = 1.0
	// nowGone is how far off the crash must be before a crash-now is taken back:
	// insisting once too long costs less than falling silent once too soon.
	nowGone = 6 * time.Hour
	// blindGone is the same for one that was called blindly: what would be called
	// within the hour anyway is not taken back before.
	blindGone = time.Hour
	// calmly is how long something must no longer hold before it is over.
	calmly = time.Hour
)

// overCeiling: the beer is above the ceiling; after the crash, it will be.
func overCeiling(v *view) []finding {
	p := v.projection.OverNow
	if v.trail.Crash != nil {
		p = max(p, v.projection.Crosses.Probability)
	}
	calm := calmly
	if v.calledBlindly(OverCeiling) {
		calm = 0
	}
	return []finding{{
		kind: OverCeiling, severity: Urgent, say: v.sayOver, blind: v.blind(),
		holds: p >= overAt, anew: p >= overGone, clears: p < overGone, calm: calm,
		cause: fmt.Sprintf("believed to be or end above the ceiling with probability %.2f", p),
		why:   "the beer is no longer believed to be above the ceiling",
	}}
}

// calledBlindly reports whether an open alert was raised when no gravity of the batch
// was known but the one at pitch, one is known by now, and no look since then has
// found the same: it is judged as if it had not been raised.
func (v *view) calledBlindly(kind Kind) bool {
	e := v.book.of(kind, "")
	return e.Open && e.Blind && !v.blind()
}

// blind reports whether no float and no hand sample has told anything yet.
func (v *view) blind() bool {
	return v.trail.LastGravity.IsZero() && !v.trail.LastSample.After(v.batch.PitchedAt)
}

// crashNow: waiting for the next look would break the accepted risk. Once told
// it stays until it is answered, also above the ceiling: warm beer rises on.
func crashNow(v *view) []finding {
	at, needed := v.crashAt()
	due := v.projection.CrashDue(v.next, v.batch.ResponseTime)
	gone, calm := nowGone, 2*calmly
	if v.calledBlindly(CrashNow) {
		gone, calm = blindGone, 0
	}
	f := finding{
		kind: CrashNow, severity: Urgent, say: v.sayNow, blind: v.blind(),
		holds:  due && v.trail.Crash == nil && v.projection.OverNow < overAt,
		anew:   v.trail.Crash == nil,
		clears: v.trail.Crash != nil || v.projection.OverNow < overGone && (!needed || at.Sub(v.now) > gone),
		calm:   calm,
		why:    "there is more time than was believed",
	}
	if needed {
		f.cause = fmt.Sprintf("the crash must start by %s; told at the next look, %s, it would start too late",
			at.Add(v.batch.ResponseTime).UTC().Format(time.RFC3339), v.next.UTC().Format(time.RFC3339))
	}
	switch {
	case v.trail.Crash != nil:
		f.calm, f.why = 0, "the crash was started"
	case !needed:
		f.why = "no crash seems to be needed any more"
	}
	return []finding{f}
}

// staysBelow: left alone, the beer comes to rest below the ceiling.
func staysBelow(v *view) []finding {
	p := v.projection.Crosses.Probability
	drop, sd := v.drop()
	why := "it may pass the ceiling after all"
	if v.trail.Crash != nil {
		why = "the crash has started"
	}
	return []finding{{
		kind: StaysBelow, severity: Info, say: v.sayBelow,
		holds: p <= belowAt && v.projection.CrashBy == nil && v.trail.Crash == nil && drop >= max(begun, 2*sd) &&
			v.book.of(StaysBelow, "").Times < 2,
		after: 6 * time.Hour, clears: v.mayPass() && v.projection.CrashBy != nil, calm: 0,
		past: v.trail.Crash != nil, why: why,
		cause: fmt.Sprintf("ever passes the ceiling with probability %.2f", p),
	}}
}

// mayPass takes a stays-below back.
func (v *view) mayPass() bool {
	return v.projection.Crosses.Probability > max(belowGone, 2*v.batch.Risk) || v.projection.CrashDue(v.next, v.batch.ResponseTime)
}

// drop is how far gravity is believed to have fallen, with its spread, points.
func (v *view) drop() (drop, sd float64) { return fallen(v.batch, &v.estimate) }

// fallen is the fall that the believed strength stands for by the batch's own
// rule. Alcohol tells it better than gravity, whose spread is mostly the unknown
// original gravity, common to both ends of the fall.
func fallen(b *projection.Batch, e *projection.Estimate) (drop, sd float64) {
	at := func(a gravity.ABV) gravity.Points { return b.Rule.GravityAt(b.OriginalGravity, a).Points() }
	a := max(0, e.ABV)
	now := at(a)
	return float64(b.OriginalGravity.Points() - now), float64(now - at(a+e.ABVSD))
}

// stillFermenting: gravity goes on falling in the cold, or the beer has warmed.
func stillFermenting(v *view) []finding {
	fall, falls := v.coldFall()
	sure := max(0.6, 1.3*float64(v.estimate.GravitySD)*1000) // points; less may be the float's noise
	falling := finding{
		kind: StillFermenting, subject: "falling", severity: Urgent, say: v.sayFalling,
		holds: falls && fall >= sure, after: calmly, clears: !falls || fall < 0.3, calm: calmly,
		why: "gravity has not fallen after all", cause: fmt.Sprintf("fallen by %.1f points since cold", fall),
	}
	warm := finding{
		kind: StillFermenting, subject: "warm", severity: Warning, say: v.sayWarm, after: calmly, calm: calmly,
		why: "the beer is cold again", cause: "warmer than it had been", atNight: true, // by the morning a stop can be undone
	}
	if t := v.trail.Temp; t != nil && v.trail.ColdAt != nil && v.trail.Coldest != nil {
		warm.holds = *t > max(*v.trail.Coldest+4, v.batch.Crash.To+ColdMargin+2)
		warm.clears = *t <= max(*v.trail.Coldest+2, v.batch.Crash.To+ColdMargin)
	}
	return []finding{falling, warm}
}

// packagedRestless: the beer was closed up without having been cold and quiet, or
// in bottles, which no valve relieves. Pressing if so much can still ferment that
// the vessel is in question.
func packagedRestless(v *view) []finding {
	t := v.trail.Temp
	warm := v.trail.ColdAt == nil || t != nil && *t > v.batch.Crash.To+ColdMargin+2 || v.book.open(StillFermenting)
	f := finding{
		kind: StillFermenting, subject: "packaged", severity: Warning, say: v.sayPackaged,
		holds: warm, cause: "packaged without having been cold and quiet",
	}
	if v.projection.ABVIfLeft.P90-v.estimate.ABV >= aPoint || v.book.open(StillFermenting) {
		f.severity = Urgent
	}
	if !warm {
		f.subject, f.holds, f.cause = coldInBottles, v.into == bottle, "packaged into bottles"
	}
	return []finding{f}
}

// aPoint is the strength that one more point makes, % ABV: about 0.5 volumes of
// CO2 in a closed vessel.
const aPoint = 0.13

// coldFall is how far gravity has fallen since the beer was cold and its
// over-run was done, points.
func (v *view) coldFall() (float64, bool) {
	if v.trail.Crash == nil || v.trail.ColdGravity == nil {
		return 0, false
	}
	return float64(v.trail.ColdGravity.Points() - v.estimate.Gravity.Points()), true
}

// notStarted: the usual lag is over and gravity has hardly moved.
func notStarted(v *view) []finding {
	drop, sd := v.drop()
	recent := !v.trail.LastGravity.IsZero() && v.now.Sub(v.trail.LastGravity) < 6*time.Hour
	return []finding{{
		kind: NotStarted, severity: Warning, say: v.sayNotStarted,
		holds: v.trail.Crash == nil && recent && v.now.Sub(v.batch.PitchedAt) >= v.opts.Lag && drop+sd < notBegun,
		after: calmly, clears: drop-sd > notBegun || v.trail.Crash != nil, calm: calmly,
		why: "fermentation has begun", cause: fmt.Sprintf("fallen by %.1f ± %.1f points after %s", drop, sd, span(v.now.Sub(v.batch.PitchedAt))),
	}}
}

// noGravity is the subject of a batch whose sensors have never given a gravity; no
// sensor has a name like it. gravityDue is how long that may be so.
const (
	noGravity  = "any gravity"
	gravityDue = 3 * time.Hour
)

// silence: a sensor has given nothing, a float no gravity, for longer than is usual
// for it; or what is heard has no gravity in it.
func silence(v *view) []finding {
	_, ever := v.heard.latest()
	found := []finding{{
		kind: SensorSilent, subject: noGravity, severity: Warning, say: v.sayNoGravity, after: gravityDue,
		holds: ever && !v.heard.floats() && v.trail.Crash == nil, clears: v.heard.floats() || v.trail.Crash != nil,
		why: "a gravity was heard", cause: "temperatures only",
	}}
	cooling := v.coolsUnwatched()
	found = append(found, cooling)
	told := cooling.holds || v.book.of(SensorSilent, unwatched).Open // of all that might show the cooling, in one
	for _, name := range v.heard.names() {
		s := v.heard[name]
		quiet := v.now.Sub(s.Last)
		holds := quiet >= s.patience(v.opts.Silence, v.book.of(SensorSilent, name).Times) && !told
		found = append(found, finding{
			kind: SensorSilent, subject: name, severity: Warning, holds: holds, clears: quiet < v.opts.Silence,
			why: heardAgain, cause: "silent for " + span(quiet), say: func() (string, string) { return v.saySilent(name, s) },
		})
	}
	return found
}

// suspect: a sensor is not believed.
func suspect(v *view) []finding {
	var found []finding
	doubted := map[string]*projection.Suspicion{}
	for i := range v.doubts {
		doubted[v.doubts[i].Sensor] = &v.doubts[i]
	}
	for _, name := range v.heard.names() {
		d, e := doubted[name], v.book.of(SensorSuspect, name)
		found = append(found, finding{
			kind: SensorSuspect, subject: name, severity: Warning, holds: d != nil && e.Times < 2, anew: d != nil, after: calmly,
			clears: d == nil, calm: 6 * time.Hour, why: "the sensor is believed again", cause: doubt(d),
			say: func() (string, string) { return v.saySuspect(name, d) },
		})
	}
	given, e := doubted[""], v.book.of(SensorSuspect, theGravityGiven)
	return append(found, finding{
		kind: SensorSuspect, subject: theGravityGiven, severity: Warning, holds: given != nil && e.Times < 1, anew: given != nil,
		clears: given == nil, calm: 6 * time.Hour, why: "the original gravity is believed again", cause: doubt(given),
		say: func() (string, string) { return v.sayMisstated(given) },
	})
}

// theGravityGiven is the subject of doubts about what the brewer measured at
// pitch; no sensor has a name like it.
const theGravityGiven = "original gravity"

// doubt is why a sensor is not believed, for the record.
func doubt(d *projection.Suspicion) string {
	if d == nil {
		return ""
	}
	return fmt.Sprintf("%s, size %.1f", d.Doubt, d.Size)
}

const (
	// A sample is asked for when the crash is this near, its time this vague,
	// the last sample this old, and a new one would narrow it by this much.
	sampleWithin = 24 * time.Hour
	sampleVague  = 6 * time.Hour
	sampleOld    = 24 * time.Hour
	sampleWorth  = time.Hour
	// sampleNotable: to be said to narrow the time down it must narrow by this part
	// of it too; who knows it to a day does not draw a sample for an hour.
	sampleNotable = 8
	// sampleLater is by how much the crash may wait on average after a sample that
	// is worth asking for.
	sampleLater = 90 * time.Minute
	// maxSamplesAsked bounds how often a batch is asked; and who was told so much
	// of it already is not asked at all.
	maxSamplesAsked = 2
	toldEnough      = 4
)

// sampleDue: a hand sample would tell much better when to crash.
func sampleDue(v *view) []finding {
	e := v.book.of(SampleDue, "")
	old := v.now.Sub(v.trail.LastSample) >= sampleOld
	p := &v.projection
	return []finding{{
		kind: SampleDue, severity: Info, say: v.saySample,
		holds: p.CrashBy != nil && old && p.CrashBy.Sub(v.now) <= sampleWithin && p.CrashBySD > sampleVague &&
			worthSampling(p) && !v.crashStage() && e.Times < maxSamplesAsked && v.book.total() < toldEnough,
		past: v.crashStage(), clears: !old, why: "it is no longer needed",
		cause: fmt.Sprintf("the crash by is known to ± %s only", spread(p.CrashBySD)),
	}}
}

// worthSampling reports whether a hand sample is expected to narrow the crash's
// time down, or to let it wait, by enough.
func worthSampling(p *projection.Projection) bool {
	return p.Sampled != nil && (p.CrashBySD-p.Sampled.SD >= sampleWorth || p.Sampled.Later >= sampleLater)
}

// narrows reports whether a hand sample is expected to narrow the crash's time down
// by a part that is worth a word.
func narrows(p *projection.Projection) bool {
	gain := p.CrashBySD - p.Sampled.SD
	return gain >= sampleWorth && gain >= p.CrashBySD/sampleNotable
}

// ph: beer that is cold or at rest, or just packaged, and that nobody has
// measured or that is not acid enough. A pH that no beer has counts as none; one
// far above all beer is told as too high, which is the graver of the two.
func ph(v *view) []finding {
	asked := v.trail.ColdAt != nil || v.packaged != nil || v.book.open(StaysBelow)
	high := v.trail.PH != nil && *v.trail.PH > v.opts.PHLimit
	none := v.trail.PH == nil || !high && !gravity.PH(*v.trail.PH).Likely()
	severity := Warning
	if high && gravity.PH(*v.trail.PH).Judge() == gravity.AcidityUnsafe {
		severity = Urgent
	}
	return []finding{
		{
			kind: PH, subject: "none", severity: Warning, say: v.sayNoPH, holds: asked && none,
			clears: !none, why: "pH was recorded", cause: "no pH that beer can have is recorded",
		},
		{
			kind: PH, subject: "high", severity: severity, say: v.sayHighPH, holds: asked && high,
			cause:  "the last pH is above the limit",
			clears: !none && !high, why: fmt.Sprintf("the last pH is not above %.1f", v.opts.PHLimit),
		},
	}
}
