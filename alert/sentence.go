package alert

import (
	"fmt"
	"strings"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Sentence says in a sentence or two what to do about a batch, by when and how
// sure that is: the first words of its page, the same as in its alerts.
func Sentence(b projection.Batch, st State) string {
	w := words{st.Now, st.Location, st.Plato, st.Fahrenheit}
	if w.loc == nil {
		w.loc = st.Now.Location()
	}
	if st.Estimate == nil || st.Projection == nil {
		return "Nothing is known of this batch yet."
	}
	s := sentence(w, &b, &st)
	if st.Silent && st.Packaged == nil {
		if st.LastReading.IsZero() {
			return s + " No sensor of this batch has been heard: this rests on the usual course alone."
		}
		return s + " There has been no reading since " + w.at(st.LastReading) + ": this rests on the projection alone."
	}
	return s
}

func sentence(w words, b *projection.Batch, st *State) string {
	e, p := st.Estimate, st.Projection
	switch {
	case st.Packaged != nil:
		return packagedSentence(w, b, st)
	case st.is(OverCeiling) && st.CrashStarted == nil && p.OverNow >= overGone:
		return overSentence(b, e, p, coolNow, whileWarm)
	case st.is(OverCeiling) && st.CrashStarted != nil && p.OverNow >= overAt:
		return overAfterCrash(w, b, st)
	case st.is(OverCeiling) && st.CrashStarted != nil && p.Crosses.Probability >= overGone && !st.is(NotCooling) && !st.is(StillFermenting) && !st.has(SensorSilent, unwatched):
		return endsAbove(w, b, st)
	case st.CrashStarted != nil:
		return afterCrash(w, b, st)
	case st.is(CrashNow):
		return nowSentence(w, b, p)
	case st.is(NotStarted):
		return prose(notStartedSentence(b, st.Now), st.ifItFerments(w), gravity.CautionWort)
	}
	return fermenting(w, b, st)
}

// fermenting is the sentence of a batch that is left to ferment: what to do
// stands first, for the page shows its first sentence large.
func fermenting(w words, b *projection.Batch, st *State) string {
	p, age := st.Projection, ""
	if !begunTo(b, st.Estimate) {
		age = fmt.Sprintf(" Pitched %s ago.", span(st.Now.Sub(b.PitchedAt)))
	}
	switch {
	case p.CrashBy == nil && age != "":
		return st.meanwhile("as it looks now no crash will be needed; readings will tell.") + age
	case p.CrashBy == nil:
		return belowSentence(b, p)
	case !p.CrashBy.After(st.Now):
		return nowSentence(w, b, p)
	}
	return soonSentence(w, b, st) + age
}

// soonSentence says when to start a crash that lies ahead, and how sure that is.
func soonSentence(w words, b *projection.Batch, st *State) string {
	p := st.Projection
	if st.has(CrashSoon, atBed) && st.Quiet != nil && !st.Quiet.around(w.now, w.loc).has(w.now) {
		return eveningSentence(w, p, st.Quiet.around(w.now, w.loc))
	}
	if !unsure(w, p) {
		return fmt.Sprintf("Start the crash by %s (± %s). %s", w.by(*p.CrashBy), spread(p.CrashBySD), holding(b, 1-b.Risk))
	}
	likely := fmt.Sprintf("the crash is likely %s; you will be told.", w.likely(*p.CrashBy, p.CrashBySD))
	if st.is(CrashSoon) {
		return "Make room in the cold: " + likely
	}
	return st.meanwhile(likely)
}

// farCrash is how far off a crash is that no time is named for yet.
const farCrash = 24 * time.Hour

// vague is a spread of the crash's time that a "±" would not do justice.
const vague = 6 * time.Hour

// unsure reports whether the crash's time is known too badly to be planned on. It
// is the cautious end of what is believed: the less is known, the earlier it lies.
func unsure(w words, p *projection.Projection) bool {
	left := p.CrashBy.Sub(w.now)
	return left > farCrash || p.CrashBySD > vague || p.CrashBySD > left
}

// begunTo reports whether fermentation is to be seen.
func begunTo(b *projection.Batch, e *projection.Estimate) bool {
	drop, _ := fallen(b, e)
	return drop >= notBegun
}

// afterCrash is the sentence of a batch that cools or is cold.
func afterCrash(w words, b *projection.Batch, st *State) string {
	e, p := st.Estimate, st.Projection
	at := ""
	if e.Temperature != nil {
		at = " at " + w.temp(*e.Temperature)
	}
	switch {
	case st.is(NotCooling):
		return notCoolingSentence(w, st)
	case st.is(StillFermenting):
		return restless(w, st) + " Now " + strength(e.ABV, e.ABVSD) + at + "."
	case st.has(SensorSilent, unwatched):
		return unwatchedSentence(w, st) + fmt.Sprintf(" If it cools as planned it ends at %s.", range8(p.ABVIfLeft))
	}
	doubt, sure := doubted(b, st), ""
	if st.Cold == nil {
		if doubt == "" {
			sure = fmt.Sprintf("; the ceiling of %s then holds in %s", ceiling(b.Ceiling), holds(1-p.Crosses.Probability))
		}
		return fmt.Sprintf("%sCooling since %s%s. It should end at %s%s.", doubt, w.at(*st.CrashStarted), st.warmth(w), range8(p.ABVIfLeft), sure)
	}
	if doubt == "" {
		sure = fmt.Sprintf("; the ceiling of %s holds in %s", ceiling(b.Ceiling), holds(1-p.Crosses.Probability))
	}
	now := st.warmth(w)
	if e.Temperature == nil || !strings.HasPrefix(now, ", now") {
		now += ", now"
	}
	return fmt.Sprintf("%sCold since %s%s with %s. Keep it there%s. %s %s",
		doubt, w.at(*st.Cold), now, strength(e.ABV, e.ABVSD), sure, st.acidity(), kegOrBottle(b, e))
}

// notCoolingSentence says what is measured and what the crash should have made
// of it by then.
func notCoolingSentence(w words, st *State) string {
	want, by := "", "now"
	if w.now.Sub(st.TempAt) > momentary {
		by = "then"
	}
	if st.ShouldBe != nil {
		want = fmt.Sprintf(" By %s it should be near %s.", by, w.temp(*st.ShouldBe))
	}
	stands := ""
	if st.Stands > 0 {
		had := "has"
		if by == "then" {
			had = "had"
		}
		stands = fmt.Sprintf(", and %s hardly moved for the last %s", had, span(st.Stands.Round(time.Hour)))
	}
	return fmt.Sprintf("Look at the cooling: the beer does not get cold%s%s.%s The crash was started at %s.", st.warmth(w), stands, want, w.at(*st.CrashStarted))
}

// restless says that a beer which should be quiet is not, and what to do: first
// what can be mended.
func restless(w words, st *State) string {
	switch {
	case st.has(StillFermenting, "warm") && st.warmth(w) != "":
		return warmsAgain(w, st)
	case st.has(StillFermenting, "falling"):
		return fallsOn
	}
	return "Not quiet: the beer ferments in the cold or has warmed again. Do not close it up."
}

const fallsOn = "Do not close it up: the beer still ferments in the cold."

func warmsAgain(w words, st *State) string {
	return fmt.Sprintf("Look at the cooling: the beer warms again%s.", st.warmth(w))
}

// notStartedSentence says that nothing ferments yet.
func notStartedSentence(b *projection.Batch, now time.Time) string {
	return fmt.Sprintf("No fermentation yet, %s after pitching, or the float hangs: take a hand sample. If that says the same, look at temperature and yeast, and pitch fresh yeast soon or discard the wort.",
		span(now.Sub(b.PitchedAt)))
}

// doubted says what to do if the ceiling holds more seldom than was accepted,
// though the crash has started; empty if it does not.
func doubted(b *projection.Batch, st *State) string {
	p := 1 - st.Projection.Crosses.Probability
	if p >= 1-b.Risk {
		return ""
	}
	do := "A hand sample now would tell"
	switch sampled := st.LastSample.After(*st.CrashStarted); {
	case sampled && st.Cold == nil:
		do = "Cool it as fast as you can"
	case sampled:
		do = "Diluting it with boiled and cooled water would make it surer"
	}
	return fmt.Sprintf("%s: the ceiling of %s holds in only %s. ", do, ceiling(b.Ceiling), holds(p))
}

// acidity says what the pH asks for before packaging.
func (s *State) acidity() string {
	limit := s.PHLimit
	if limit == 0 {
		limit = float64(gravity.PHTrade)
	}
	switch {
	case s.PH == nil:
		return "Measure pH before packaging."
	case *s.PH > limit:
		return fmt.Sprintf("Its pH of %.2f is above %.1f: do not package it like this.", *s.PH, limit)
	case !gravity.PH(*s.PH).Likely():
		return fmt.Sprintf("Measure pH again before packaging: the %.2f recorded is hardly that of beer.", *s.PH)
	}
	return fmt.Sprintf("Its pH of %.2f is not above %.1f.", *s.PH, limit)
}

// is reports whether an alert of this kind is open.
func (s *State) is(k Kind) bool {
	for _, open := range s.Open {
		if open == k {
			return true
		}
	}
	return false
}
