package alert

import (
	"fmt"
	"strings"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

func (v *view) words() words { return words{now: v.now, loc: v.opts.Location, plato: v.opts.Plato} }

// title puts the batch behind what there is to know.
func (v *view) title(what string) string { return what + ": " + short(v.batch.Name) }

// holding says how sure it is that the ceiling holds, as a sentence.
func holding(b *projection.Batch, p float64) string {
	return fmt.Sprintf("In %s the ceiling of %s then holds.", holds(p), ceiling(b.Ceiling))
}

// beer says what the batch is believed to be now.
func (w words) beer(e *projection.Estimate) string {
	return "Now " + strength(e.ABV, e.ABVSD) + ", " + w.gravity(e) + "."
}

// ifLeft says when the ceiling is passed if nobody acts; empty if never.
func (w words) ifLeft(b *projection.Batch, c *projection.Crossing) string {
	if c.P50 == nil || c.P10 == nil {
		return ""
	}
	s := fmt.Sprintf(" Left alone it passes %s about %s", limitOnly(b.Ceiling), w.at(c.P50.Round(5*time.Minute)))
	if c.P90 == nil {
		return s + fmt.Sprintf(", in 9 of 10 cases not before %s.", w.by(*c.P10))
	}
	return s + fmt.Sprintf(", in 8 of 10 cases between %s.", w.between(*c.P10, *c.P90))
}

func limitOnly(c gravity.Ceiling) string { return ceiling(gravity.Ceiling{Limit: c.Limit}) }

// basis says that the belief rests on the projection alone, if it does.
func (v *view) basis() string {
	if !v.silent() {
		return ""
	}
	if last, ever := v.heard.latest(); ever {
		return " There has been no reading since " + v.words().at(last) + ": this rests on the projection alone."
	}
	return " No sensor of this batch has been heard: this rests on the usual course alone."
}

func (v *view) saySoon() (string, string) {
	w, p := v.words(), &v.projection
	plan := "Make room in the cold and plan for it; you will be told when it is time."
	if mayMove(w, p) { // said already
		plan = "Make room in the cold and plan for it."
	}
	return v.title("Crash by " + w.by(*p.CrashBy)),
		bySentence(w, p) + " " + plan + " " + holding(v.batch, 1-v.batch.Risk) + " " + w.beer(&v.estimate) + w.ifLeft(v.batch, &p.Crosses) + v.basis()
}

func (v *view) sayTurned() (string, string) {
	title, message := v.saySoon()
	return title, fmt.Sprintf("This has changed: left alone, the beer may now pass %s, in %s. ",
		limitOnly(v.batch.Ceiling), cases(v.projection.Crosses.Probability)) + message
}

func (v *view) sayNow() (string, string) {
	return v.title("Start the crash now"),
		nowSentence(v.words(), v.batch, &v.projection) + " Then enter that the crash has started. Now " + strength(v.estimate.ABV, v.estimate.ABVSD) + "." + v.basis() + stoppingShort
}

// stoppingShort is what gravity.Cautions(gravity.Stopping) says, short enough to
// be read while the crash waits; the form that enters the crash has the whole.
const stoppingShort = " Keep it at 5 °C (41 °F) or below until it is drunk: warm, stopped beer ferments again and can burst a closed vessel."

// nowSentence gives the order while the crash is due, then either its deadline
// or what is left of the chance: one of the two.
func nowSentence(w words, b *projection.Batch, p *projection.Projection) string {
	order := fmt.Sprintf("Start the crash now, or keg and chill. Cool it to %s", celsius(b.Crash.To))
	switch by := p.CrashBy; {
	case by == nil:
		return order + "."
	case by.After(w.now):
		return fmt.Sprintf("%s, starting %s. %s", order, w.deadline(*by), holding(b, 1-b.Risk))
	}
	left := fmt.Sprintf("If it starts within %s, the ceiling of %s still holds in %s.",
		span(max(b.ResponseTime, time.Minute)), ceiling(b.Ceiling), holds(1-p.OverIfCrashedNow))
	if p.OverIfCrashedNow <= b.Risk {
		return order + ". " + left
	}
	return order + ". The moment for the accepted risk has passed. " + left
}

func (v *view) sayOver() (string, string) {
	w, b, e := v.words(), v.batch, &v.estimate
	if v.projection.OverNow < overAt { // after the crash, and it is going to be
		return v.title("Will end above the ceiling"),
			fmt.Sprintf("Although the crash was started, the beer is believed to end above %s, in %s; left as it is, at %s. %s Cool it faster if you can. %s%s",
				limitOnly(b.Ceiling), cases(v.projection.Crosses.Probability), range8(v.projection.ABVIfLeft), w.beer(e), mend(b, v.projection.ABVIfLeft), v.basis())
	}
	return v.title("Above the ceiling"),
		overSentence(b, e, &v.projection, v.trail.Crash == nil) + " " + mend(b, nowRange(e)) + v.basis() + cautions(gravity.Stating)
}

// nowRange is the present strength with its upper end of 9 of 10 cases.
func nowRange(e *projection.Estimate) projection.Quantiles {
	return projection.Quantiles{P50: e.ABV, P90: e.ABV + gravity.ABV(gravity.NormalQuantile(0.9))*e.ABVSD}
}

// overSentence says that the beer is above its ceiling; if it is warm, that it
// must be cooled all the same.
func overSentence(b *projection.Batch, e *projection.Estimate, p *projection.Projection, warm bool) string {
	begin, end := "The", "."
	if warm {
		begin, end = "Cool it now all the same: the", ". It goes on rising while it is warm."
	}
	s := fmt.Sprintf("%s beer is now believed to be above the ceiling of %s, in %s. It is at %s",
		begin, ceiling(b.Ceiling), cases(p.OverNow), strength(e.ABV, e.ABVSD))
	if over := e.ABV - b.Ceiling.Limit; over >= 0.005 {
		s += ", " + strength(over, e.ABVSD) + " too much"
	}
	return s + end
}

// mend says the water that brings the beer down to its ceiling.
func mend(b *projection.Batch, q projection.Quantiles) string {
	litres := func(a gravity.ABV, v gravity.Litres) float64 {
		d, err := gravity.DiluteTo(a, 1, v, b.Ceiling.Limit)
		if err != nil {
			return 0 // a ceiling of nought is refused with the batch
		}
		return float64(d.Water)
	}
	if b.Volume <= 0 {
		return fmt.Sprintf("Diluting it with %.0f %% of its volume in boiled and cooled water brings it to %s. Measure pH afterwards.",
			litres(q.P50, 100), limitOnly(b.Ceiling))
	}
	return fmt.Sprintf("Diluting the %.1f L with %.1f L of boiled and cooled water brings it to %s; with %.1f L it is under in 9 of 10 cases. Measure pH afterwards.",
		float64(b.Volume), litres(q.P50, b.Volume), limitOnly(b.Ceiling), litres(q.P90, b.Volume))
}

func (v *view) sayBelow() (string, string) {
	return v.title("Stays below the ceiling by itself"),
		belowSentence(v.batch, &v.projection) + " You will be told if that changes." + v.basis() + " " + gravity.CautionPressure
}

func belowSentence(b *projection.Batch, p *projection.Projection) string {
	return fmt.Sprintf("No crash is needed as it looks now: left alone, the beer comes to rest below the ceiling of %s. It ends at %s and passes the ceiling in %s.",
		ceiling(b.Ceiling), range8(p.ABVIfLeft), cases(p.Crosses.Probability))
}

func (v *view) sayNotCooling() (string, string) {
	w := v.words()
	want, _ := v.expectedCooling(v.trail.TempAt)
	return v.title("The beer does not get cold"),
		fmt.Sprintf("The crash was started at %s, but the beer is at %s and should be near %s by now. Look at the cooling: power, door, thermostat, and whether the thermometer is in the beer. While it is warm its alcohol goes on rising. %s",
			w.at(*v.trail.Crash), celsius(*v.trail.Temp), celsius(want), w.beer(&v.estimate))
}

func (v *view) sayFalling() (string, string) {
	w := v.words()
	fall, _ := v.coldFall()
	return v.title("Still fermenting in the cold"),
		fmt.Sprintf("Since the beer became cold its gravity has fallen by another %s. %s Do not close it up in bottles or a sealed vessel; cool it further if you can and take a hand sample. %s",
			w.points(fall, float64(v.estimate.GravitySD)*1000), w.beer(&v.estimate), gravity.CautionPressure)
}

func (v *view) sayWarm() (string, string) {
	return v.title("The beer warms again"),
		fmt.Sprintf("The beer had been down to %s and is now at %s. Yeast and sugar are still in it: warm, it goes on fermenting. Look at the cooling. %s",
			celsius(*v.trail.Coldest), celsius(*v.trail.Temp), gravity.CautionPressure)
}

func (v *view) sayPackagedWarm() (string, string) {
	st := v.state()
	return v.title("Packaged beer can still ferment"), packagedWarmSentence(v.words(), v.batch, &st)
}

// packagedWarmSentence is what to do about beer that was closed up without
// having been cold and quiet: nothing is said of a ceiling that holds.
func packagedWarmSentence(w words, b *projection.Batch, st *State) string {
	e, p := st.Estimate, st.Projection
	do, why, at, left := "Chill it to 5 °C (41 °F) or below now", "was not measured cold", "", "Left as it is"
	if st.Cold != nil {
		why = "was warm or still fermenting"
		if e.Temperature != nil && *e.Temperature <= 5 {
			do = "Keep it at 5 °C (41 °F) or below and watch its pressure"
		}
	}
	if e.Temperature != nil {
		at = " at " + celsius(*e.Temperature)
		if st.CrashStarted == nil {
			left = "Left at this temperature"
		}
	}
	s := fmt.Sprintf("%s: it %s when it was packaged at %s. It held %s%s. %s it comes to %s",
		do, why, w.at(*st.Packaged), strength(e.ABV, e.ABVSD), at, left, range8(p.ABVIfLeft))
	if over := max(p.OverNow, p.Crosses.Probability); over > b.Risk {
		s += fmt.Sprintf(" and is above %s in %s", limitOnly(b.Ceiling), cases(over))
	}
	return s + ". In a closed vessel that builds pressure and can burst it. " + gravity.CautionPressure
}

func (v *view) saySilent(sensor string, s *heard) (string, string) {
	w := v.words()
	since := fmt.Sprintf("Nothing has come from sensor %s since %s (%s).", sensor, w.at(s.Last), span(v.now.Sub(s.Last)))
	if !s.Ever {
		since = fmt.Sprintf("Nothing has come from sensor %s since the batch began %s ago.", sensor, span(v.now.Sub(s.Last)))
	}
	goes := "The other sensors of the batch are still heard."
	if v.silent() {
		goes = "The projection runs on without it and grows less sure."
	}
	act := ""
	if v.trail.Crash == nil && v.projection.CrashBy != nil {
		act = fmt.Sprintf(" You will still be told when the crash is due, as it looks now by %s (± %s).",
			w.by(*v.projection.CrashBy), spread(v.projection.CrashBySD))
	}
	return v.title("No readings from " + short(sensor)),
		since + " " + goes + act + " Look at its battery, its place and the network; a hand sample helps meanwhile."
}

func (v *view) saySuspect(sensor string, d *projection.Suspicion) (string, string) {
	what, act := "does not fit what else is known", "Look whether it floats freely, without foam or krausen on it, and take a hand sample."
	switch d.Doubt {
	case projection.Stuck:
		what = "has given the same value many times in a row: it may be stuck"
	case projection.Jumping:
		what = "jumps: many of its readings do not fit the others"
	case projection.Contradicted:
		what = "is contradicted by a hand sample"
		act = "Look whether the float floats freely and whether the sample was degassed and read at the temperature entered; a second sample settles it."
	}
	return v.title("Doubtful readings from " + short(sensor)),
		fmt.Sprintf("Sensor %s %s. %s %s", sensor, what, act, v.words().beer(&v.estimate))
}

func (v *view) sayNotStarted() (string, string) {
	w := v.words()
	drop, sd := v.drop()
	return v.title("No fermentation yet"),
		fmt.Sprintf("%s after pitching, gravity has fallen by only %s. Look at temperature and yeast; pitch fresh yeast soon or discard the wort. %s%s",
			span(v.now.Sub(v.batch.PitchedAt)), w.points(drop, sd), w.beer(&v.estimate), cautions(gravity.Waiting))
}

func (v *view) sayTemperature() (string, string) {
	r, t := v.opts.Range, *v.trail.Temp
	what := "Too warm"
	if t < r.Low {
		what = "Too cold"
	}
	return v.title(what),
		fmt.Sprintf("The beer is at %s, outside its range of %.1f to %s. Fermentation goes %s than planned; the projection follows the temperature.",
			celsius(t), float64(r.Low), celsius(r.High), map[bool]string{true: "slower", false: "faster"}[t < r.Low])
}

func (v *view) saySample() (string, string) {
	w := v.words()
	return v.title("A hand sample would help"),
		fmt.Sprintf("The crash is due by %s, but that is only known to ± %s. A hand sample of the gravity, entered now, could bring that down to about ± %s. %s%s",
			w.by(*v.projection.CrashBy), spread(v.projection.CrashBySD), spread(v.afterSample()), w.beer(&v.estimate), v.basis())
}

func (v *view) sayNoPH() (string, string) {
	return v.title("Measure pH before packaging"),
		"No pH of this batch is recorded. Measure it and enter it before the beer is packaged. " + gravity.CautionAcid + " " + gravity.CautionLaw
}

func (v *view) sayHighPH() (string, string) {
	p := gravity.PH(*v.trail.PH)
	means := p.Judge().Text()
	if means == "" {
		means = fmt.Sprintf("That is above the limit of %.1f set for this batch.", v.opts.PHLimit)
	}
	return v.title(fmt.Sprintf("pH %.2f is too high", float64(p))),
		fmt.Sprintf("The pH was %.2f at %s. %s %s", float64(p), v.words().at(v.trail.PHAt), means, gravity.CautionLaw)
}

// cautions are those of a situation, to follow a message.
func cautions(s gravity.Situation) string { return " " + strings.Join(gravity.Cautions(s), " ") }
