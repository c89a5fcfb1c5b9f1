package alert

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Each message begins with the sentence that the page says of the batch at the
// time; then comes what else is to be done, then the figures, then the cautions
// of the moment.

func (v *view) words() words {
	return words{v.now, v.opts.Location, v.opts.Plato, v.opts.Fahrenheit}
}

// title puts the batch behind what there is to know.
func (v *view) title(what string) string { return what + ": " + short(v.batch.Name) }

// prose puts sentences into a row; empty ones are left out.
func prose(sentences ...string) string {
	var said []string
	for _, s := range sentences {
		if s = strings.TrimSpace(s); s != "" {
			said = append(said, s)
		}
	}
	return strings.Join(said, " ")
}

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
	step := time.Hour
	if c.P90 != nil && c.P90.Sub(*c.P10) <= 6*time.Hour {
		step = 5 * time.Minute
	}
	s := fmt.Sprintf("Left alone it passes %s about %s", limitOnly(b.Ceiling), w.at(c.P50.Round(step)))
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
		return "There has been no reading since " + v.words().at(last) + ": this rests on the projection alone."
	}
	return "No sensor of this batch has been heard: this rests on the usual course alone."
}

func (v *view) saySoon() (string, string) {
	vague := "Until then leave it alone; a hand sample of its gravity narrows the time down."
	if p := &v.projection; p.Sampled != nil && !narrows(p) {
		vague = "Until then leave it alone."
	}
	return v.sayLater("Make room in the cold and plan for it; you will be told when it is time.", vague)
}

// sayLater tells of a crash that lies ahead, with what is said after its time:
// if that is known well, and if it is not.
func (v *view) sayLater(sure, vague string) (string, string) {
	w, p, st := v.words(), &v.projection, v.state()
	title, more := "Crash by "+w.by(*p.CrashBy), sure
	if unsure(w, p) {
		title, more = "Crash likely from "+w.by(*p.CrashBy), vague
	}
	return v.soonTitle(title), prose(v.unseen(), soonSentence(w, v.batch, &st), more, w.beer(&v.estimate), w.ifLeft(v.batch, &p.Crosses), v.basis())
}

func (v *view) sayTurned() (string, string) {
	changed := fmt.Sprintf("This has changed: it was expected to stay below, but left alone it now passes %s in %s.",
		limitOnly(v.batch.Ceiling), cases(v.projection.Crosses.Probability))
	return v.sayLater(changed, changed)
}

// sayMoved tells that the crash has moved from the time told before.
func (v *view) sayMoved(from time.Time) (string, string) {
	later := "later"
	if v.projection.CrashBy.Before(from) {
		later = "sooner"
	}
	changed := fmt.Sprintf("That is %s than %s, which you were told before.", later, v.words().by(from))
	_, text := v.sayLater(changed, changed)
	return v.soonTitle("Crash moved to " + v.words().by(*v.projection.CrashBy)), text
}

func (v *view) sayNow() (string, string) {
	return v.title("Start the crash now"), prose(
		nowSentence(v.words(), v.batch, &v.projection), "Then enter that the crash has started.",
		"Now "+strength(v.estimate.ABV, v.estimate.ABVSD)+".", v.basis(), stoppingShort)
}

// stoppingShort is what gravity.Cautions(gravity.Stopping) says, short enough to
// be read while the crash waits; the form that enters the crash has the whole.
const stoppingShort = "Keep it at 5 °C (41 °F) or below until it is drunk: warm, stopped beer ferments again and can burst a closed vessel."

// nowSentence gives the order while the crash is due, then either its deadline
// or what is left of the chance: one of the two.
func nowSentence(w words, b *projection.Batch, p *projection.Projection) string {
	order := "Start the crash now, or keg and chill. Cool it to " + w.set(b.Crash.To)
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

func (v *view) sayBelow() (string, string) {
	return v.title("Stays below the ceiling by itself"),
		prose(belowSentence(v.batch, &v.projection), "Leave it alone; you will be told if that changes.", v.basis(), gravity.CautionPressure)
}

func belowSentence(b *projection.Batch, p *projection.Projection) string {
	return fmt.Sprintf("No crash is needed as it looks now: left alone, the beer comes to rest below the ceiling of %s. It ends at %s and passes the ceiling in %s.",
		ceiling(b.Ceiling), range8(p.ABVIfLeft), cases(p.Crosses.Probability))
}

func (v *view) sayNotCooling() (string, string) {
	w, st := v.words(), v.state()
	return v.title("The beer does not get cold"), prose(
		notCoolingSentence(w, &st), "Check power, door, thermostat, and whether the thermometer is in the beer.",
		"While it is warm its alcohol goes on rising.", w.beer(&v.estimate))
}

func (v *view) sayFalling() (string, string) {
	w := v.words()
	fall, _ := v.coldFall()
	return v.title("Still fermenting in the cold"), prose(
		fallsOn, fmt.Sprintf("Since it became cold its gravity has fallen by another %s.", w.points(fall, float64(v.estimate.GravitySD)*1000)),
		"Cool it further if you can and take a hand sample.", w.beer(&v.estimate), gravity.CautionPressure)
}

func (v *view) sayWarm() (string, string) {
	w, st := v.words(), v.state()
	return v.title("The beer warms again"), prose(
		warmsAgain(w, &st), fmt.Sprintf("It had been down to %s.", w.temp(*v.trail.Coldest)),
		"Yeast and sugar are still in it: warm, it goes on fermenting, so do not close it up.", w.beer(&v.estimate), gravity.CautionPressure)
}

func (v *view) sayPackaged() (string, string) {
	st := v.state()
	title := "Packaged beer can still ferment"
	if st.has(StillFermenting, coldInBottles) {
		title = "Keep the bottles cold"
	}
	return v.title(title), packagedSentence(v.words(), v.batch, &st)
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
		at = " at " + w.temp(*e.Temperature)
		if st.CrashStarted == nil {
			left = "Left at this temperature"
		}
	}
	s := fmt.Sprintf("%s: it %s when it was packaged at %s. It held %s%s. %s it comes to %s",
		do, why, w.at(*st.Packaged), strength(e.ABV, e.ABVSD), at, left, range8(p.ABVIfLeft))
	if over := max(p.OverNow, p.Crosses.Probability); over > b.Risk {
		s += fmt.Sprintf(" and is above %s in %s", limitOnly(b.Ceiling), cases(over))
	}
	return s + ". In a closed vessel that builds pressure and can burst it."
}

func (v *view) saySilent(sensor string, s *heard) (string, string) {
	w := v.words()
	since := fmt.Sprintf("Nothing has come from sensor %s since %s (%s).", sensor, w.at(s.Last), span(v.now.Sub(s.Last)))
	if !s.Ever {
		since = fmt.Sprintf("Nothing has come from sensor %s since the batch began %s ago.", sensor, span(v.now.Sub(s.Last)))
	}
	if s.Else.After(s.Last) {
		since = fmt.Sprintf("No gravity has come from sensor %s since %s (%s), although it is still heard: see under Sensors on the page whether its numbers are refused, and why.", sensor, w.at(s.Last), span(v.now.Sub(s.Last)))
	}
	goes := "The other sensors of the batch are still heard."
	if v.silent() || s.Else.After(s.Last) {
		goes = "The projection runs on without it and grows less sure."
	}
	act := ""
	switch by := v.projection.CrashBy; {
	case v.trail.Crash != nil || by == nil:
	case !by.After(v.now):
		act = "The crash is due already, as it looks now."
	default:
		act = fmt.Sprintf("You will still be told when the crash is due, as it looks now by %s (± %s).",
			w.by(*by), spread(v.projection.CrashBySD))
	}
	return v.title("No readings from " + short(sensor)), prose(
		since, "Look at its battery, its place and the network; a hand sample helps meanwhile.", goes, act)
}

func (v *view) sayNoGravity() (string, string) {
	return v.title("No gravity is heard"), prose(
		"The sensors of this batch give temperatures, but none has given a gravity.",
		"See under Sensors on the page whether its numbers are refused, and why: another unit than was stated, or another place in the message. Without a float enter hand samples.",
		"Until then all rests on the usual course of a fermentation.")
}

func (v *view) saySuspect(sensor string, d *projection.Suspicion) (string, string) {
	what, act := "does not fit what else is known", "Look whether it floats freely, without foam or krausen on it, and take a hand sample."
	switch d.Doubt {
	case projection.Stuck:
		what = "has given the same value many times in a row: it may be stuck"
	case projection.Hanging:
		what = "hardly moves any more, far less than before: it may hang"
	case projection.Risen:
		what = fmt.Sprintf("shows about %s more than fits this beer, and beer does not grow denser by itself", v.words().difference(d.Size))
		act = "Look whether foam or krausen carries it, whether it is in another beer, and take a hand sample. Sugar, fruit or whatever else was added since the pitch is not counted: the alcohol is then higher than said here."
	case projection.Misplaced:
		way := "more"
		if d.Size < 0 {
			way = "less"
		}
		what = fmt.Sprintf("shows %s %s than fits this beer: it is not used until it fits again, for a day and a half at most", v.words().difference(math.Abs(d.Size)), way)
		act = "Look whether it floats freely in this beer, whether it was taken out or put elsewhere, and take a hand sample. Sugar, fruit or whatever else was added since the pitch is not counted."
	case projection.Biased:
		way := "more"
		if d.Size < 0 {
			way = "less"
		}
		what = fmt.Sprintf("shows %s %s than fits this beer and its original gravity of %s: only its changes are used, and if its unit or scale is wrong, so are these", v.words().difference(math.Abs(d.Size)), way, v.words().sg(v.batch.OriginalGravity))
		act = "Look whether it sends the unit that was stated for it, whether it is calibrated and in this beer, and whether the original gravity was noted right. Until that is settled take a hand sample a day: the crash may be told too late."
	case projection.TooHot:
		what = fmt.Sprintf("shows %s, at which no beer ferments: its temperatures are not used", v.words().temp(gravity.Celsius(d.Size)))
		act = "Look whether it is in the beer, whether it is broken, and whether it sends °F as °C."
	case projection.TooCold:
		what = fmt.Sprintf("shows %s, at which beer is ice: its temperatures are not used", v.words().temp(gravity.Celsius(d.Size)))
		act = "Look whether it hangs in the cold air beside the beer, whether it is broken, and whether it sends °C as °F. If the beer itself is that cold, warm it to 1 °C (34 °F): ice can burst a closed vessel."
	case projection.Jumping:
		what = "jumps: many of its readings do not fit the others"
	case projection.Contradicted:
		what = "is contradicted by a hand sample"
		act = "Look whether the float floats freely, whether the sample was degassed and read at the temperature entered, and whether the original gravity was noted right; a second sample settles it."
	}
	return v.title("Doubtful readings from " + short(sensor)),
		prose(fmt.Sprintf("Sensor %s %s.", sensor, what), act, v.words().beer(&v.estimate))
}

func (v *view) sayMisstated(d *projection.Suspicion) (string, string) {
	w := v.words()
	believed := v.batch.OriginalGravity + gravity.Points(d.Size).SG() - 1
	return v.title("Original gravity in doubt"), prose(
		fmt.Sprintf("The hand samples do not fit the original gravity of %s: it is believed to have been near %s.", w.sg(v.batch.OriginalGravity), w.sg(believed)),
		"Look at your notes of the pitch, and whether the samples were degassed and read at the temperature entered; strength and crash go by what is believed.",
		w.beer(&v.estimate))
}

func (v *view) sayNotStarted() (string, string) {
	w, st := v.words(), v.state()
	drop, sd := v.drop()
	return v.title("No fermentation yet"), prose(append([]string{
		notStartedSentence(v.batch, v.now), st.ifItFerments(w),
		fmt.Sprintf("Gravity has fallen by only %s.", w.points(drop, sd)), w.beer(&v.estimate),
	}, gravity.Cautions(gravity.Waiting)...)...)
}

func (v *view) saySample() (string, string) {
	w, p := v.words(), &v.projection
	title, how, later := "A hand sample would help", ".", ""
	left := spread(p.Sampled.SD)
	if p.Sampled.Later >= sampleLater {
		later = fmt.Sprintf("After a hand sample the crash can on average wait %s longer at the same risk.", spread(p.Sampled.Later))
	}
	switch {
	case narrows(p):
		how = fmt.Sprintf(": a hand sample of the gravity, entered now, is expected to bring that to about ± %s.", left)
	case later == "":
		title = "A hand sample would help a little"
		how = fmt.Sprintf(". A hand sample of the gravity, entered now, narrows that only a little, to about ± %s: leave it if it is any trouble.", left)
	}
	return v.title(title), prose(
		fmt.Sprintf("The crash is due by %s, but that is only known to ± %s%s",
			w.by(*p.CrashBy), spread(p.CrashBySD), how),
		later, "Degas it, and enter the temperature at which you read it.", w.beer(&v.estimate), v.basis())
}

func (v *view) sayNoPH() (string, string) {
	again, why := "", "none was recorded before."
	if v.packaged == nil {
		why = "none of this batch is recorded."
	}
	if v.trail.PH != nil {
		again, why = " again", gravity.PH(*v.trail.PH).Doubt()
	}
	if v.packaged != nil {
		return v.title("Measure pH" + again + " of the packaged beer"), prose(
			"Measure pH"+again+" in a sample of the packaged beer and note it: "+why, gravity.CautionAcid, gravity.CautionLaw)
	}
	return v.title("Measure pH" + again + " before packaging"), prose(
		"Measure pH"+again+" and enter it before the beer is packaged: "+why,
		v.kegOrBottle(), gravity.CautionAcid, gravity.CautionLaw)
}

func (v *view) sayHighPH() (string, string) {
	p := gravity.PH(*v.trail.PH)
	means := p.Judge().Text()
	if means == "" {
		means = fmt.Sprintf("That is above the limit of %.1f set for this batch.", v.opts.PHLimit)
	}
	return v.title(fmt.Sprintf("pH %.2f is too high", float64(p))),
		prose(fmt.Sprintf("The pH was %.2f at %s.", float64(p), v.words().at(v.trail.PHAt)), p.Doubt(), means, gravity.CautionLaw)
}
