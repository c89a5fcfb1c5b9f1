package alert

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Texts of the rescue: by how much the beer is over its ceiling, the water that
// mends it, what a label may say elsewhere.

func (v *view) sayOver() (string, string) {
	b, e, p := v.batch, &v.estimate, &v.projection
	stating := strings.Join(gravity.Cautions(gravity.Stating), " ")
	if p.OverNow < overAt && v.trail.Crash != nil { // it is going to be
		st := v.state()
		return v.title("Will end above the ceiling"), prose(
			endsAbove(v.words(), b, &st), mend(v.words(), b, p.ABVIfLeft), elsewhere(b.Ceiling, p.ABVIfLeft.P90), v.basis(), stating)
	}
	said, comes, end := "", "", nowRange(e)
	if st := v.state(); v.trail.Crash == nil {
		said, end = overSentence(b, e, p, coolNow, whileWarm), p.ABVIfCrashedNow
		comes = fmt.Sprintf("Crashed now it comes to %s.", range8(end))
	} else if said = st.coolFirst(v.words()); said != "" {
		said, end = overWarm(v.words(), b, &st), p.ABVIfLeft
		comes = fmt.Sprintf("If it gets cold from here on it comes to %s.", range8(end))
	} else {
		said = overSentence(b, e, p, "", "")
	}
	return v.title("Above the ceiling"), prose(
		said, comes, v.sampleFirst(), mend(v.words(), b, end), elsewhere(b.Ceiling, end.P90), v.basis(), stating)
}

// sampledLately is how old a hand sample may be that a dilution rests on.
const sampledLately = 12 * time.Hour

// sampleFirst: a float that was moved, fouled or taken out shows less too, so it
// alone is no reason to water a beer.
func (v *view) sampleFirst() string {
	if v.trail.Samples > 0 && v.now.Sub(v.trail.LastSample) < sampledLately {
		return ""
	}
	return "Take a hand sample before you dilute it: a float that was moved or fouled can show the same."
}

// nowRange is the present strength with the ends of 8 of 10 cases.
func nowRange(e *projection.Estimate) projection.Quantiles {
	d := gravity.ABV(gravity.NormalQuantile(0.9)) * e.ABVSD
	return projection.Quantiles{P10: e.ABV - d, P50: e.ABV, P90: e.ABV + d}
}

// coolNow is what is to be done about a beer that is above its ceiling and warm,
// whileWarm why.
const (
	coolNow   = "Cool it now all the same"
	whileWarm = "It goes on rising while it is warm."
)

// overSentence says that the beer is above its ceiling; if it rises on, what is to
// be done all the same.
func overSentence(b *projection.Batch, e *projection.Estimate, p *projection.Projection, do, rises string) string {
	begin, end := "In", "."
	if do != "" {
		begin, end = do+": in", ". "+rises
	}
	s := fmt.Sprintf("%s %s the beer is now above the ceiling of %s. It is believed to be at %s",
		begin, cases(p.OverNow), ceiling(b.Ceiling), strength(e.ABV, e.ABVSD))
	if over := e.ABV - b.Ceiling.Limit; over >= 0.005 {
		s += ", " + strength(over, e.ABVSD) + " too much"
	}
	return s + end
}

// seenWarm reports whether a crashed beer is measured to be warm still or again.
func (s *State) seenWarm() bool { return s.is(NotCooling) || s.has(StillFermenting, "warm") }

// coolFirst says of a crashed beer that is warm still or again, or may be for all
// that is known, that it rises on: water comes second then. Empty if it is not.
func (s *State) coolFirst(w words) string {
	switch {
	case s.seenWarm():
		return "It goes on rising while it is warm" + s.warmth(w) + "."
	case s.has(SensorSilent, unwatched):
		return "It goes on rising if it is warm" + s.warmth(w) + "."
	}
	return ""
}

// overWarm is overSentence for such a beer.
func overWarm(w words, b *projection.Batch, st *State) string {
	do := coolNow
	if !st.seenWarm() {
		do = "Look whether it cools"
	}
	return overSentence(b, st.Estimate, st.Projection, do, fmt.Sprintf("%s The crash was started at %s.", st.coolFirst(w), w.at(*st.CrashStarted)))
}

// overAfterCrash is what the page says of a crashed beer above its ceiling.
func overAfterCrash(w words, b *projection.Batch, st *State) string {
	if st.coolFirst(w) != "" {
		return overWarm(w, b, st)
	}
	return overSentence(b, st.Estimate, st.Projection, "", "") + " " + mend(w, b, nowRange(st.Estimate))
}

// endsAbove says that a beer whose crash was started is going to end above its
// ceiling, by how much, and what is left to do: a float alone is no reason to
// water a beer, a hand sample since the crash is.
func endsAbove(w words, b *projection.Batch, st *State) string {
	p := st.Projection
	cold, sampled, q := st.Cold != nil, st.LastSample.After(*st.CrashStarted), p.ABVIfLeft
	do, but := "Cool it faster if you can, and take a hand sample", ": although"
	switch warm := st.coolFirst(w); {
	case warm != "" && !st.seenWarm():
		do, but = "Look whether it cools. "+strings.TrimSuffix(warm, "."), ". Although"
	case warm != "":
		do, but = "Cool it now. "+strings.TrimSuffix(warm, "."), ". Although"
	case cold && sampled:
		do = "Keep it cold and plan to dilute it"
	case cold:
		do = "Take a hand sample before you dilute it"
	case sampled:
		do = "Cool it faster if you can"
	}
	s := fmt.Sprintf("%s%s the crash was started, in %s the beer ends above %s. It comes to %s",
		do, but, cases(p.Crosses.Probability), limitOnly(b.Ceiling), range8(q))
	if over := q.P50 - b.Ceiling.Limit; over >= 0.005 {
		s += fmt.Sprintf(", %.2f %% ABV too much", float64(over))
	}
	return s + "."
}

// mend says the water that brings the beer down to its ceiling.
func mend(w words, b *projection.Batch, q projection.Quantiles) string {
	water := func(a gravity.ABV, v gravity.Litres) gravity.Litres {
		d, err := gravity.DiluteTo(a, 1, v, b.Ceiling.Limit)
		if err != nil {
			return 0 // a ceiling of nought is refused with the batch
		}
		return d.Water
	}
	if water(q.P50, 100) < 0.5 { // less than half a per cent
		return fmt.Sprintf("It is about at the ceiling: diluting it with %.0f %% of its volume in boiled and cooled water brings it under in 9 of 10 cases. Measure pH afterwards.",
			max(1, float64(water(q.P90, 100))))
	}
	if b.Volume <= 0 {
		return fmt.Sprintf("Diluting it with %.0f %% of its volume in boiled and cooled water brings it to %s. Measure pH afterwards.",
			float64(water(q.P50, 100)), limitOnly(b.Ceiling))
	}
	return fmt.Sprintf("Diluting the %s with %s of boiled and cooled water brings it to %s; with %s it is under in 9 of 10 cases. Measure pH afterwards.",
		w.volume(b.Volume), w.volume(water(q.P50, b.Volume)), limitOnly(b.Ceiling), w.volume(water(q.P90, b.Volume)))
}

// elsewhere says where a beer of strength a may still be called low in alcohol,
// as orientation: of the rules seen in their sources, those above the ceiling
// that was missed. Empty if none allows it.
func elsewhere(missed gravity.Ceiling, a gravity.ABV) string {
	rules, err := gravity.LegalCeilings()
	if err != nil {
		return "" // the table is part of the program and tested there
	}
	var places []string
	for _, r := range rules {
		limit, err := strconv.ParseFloat(r.Limit, 64)
		c := gravity.Ceiling{Limit: gravity.ABV(limit), Strict: r.Comparison == "less than"}
		if err != nil || !strings.HasPrefix(r.Term, "low alcohol") || !strings.HasPrefix(r.Certainty, "VERIFIED") ||
			c.Limit <= missed.Limit || !c.Holds(a) {
			continue
		}
		bound := "up to"
		if c.Strict {
			bound = "below"
		}
		places = append(places, fmt.Sprintf("%s %g %% ABV in %s", bound, limit, strings.NewReplacer("UK", "the UK", "USA", "the USA").Replace(r.Place)))
	}
	if len(places) == 0 {
		return ""
	}
	return "As orientation, \"low alcohol\" may be said of beer " + strings.Join(places, ", ") + "."
}
