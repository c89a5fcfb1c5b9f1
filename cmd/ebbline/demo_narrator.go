package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"

	"ebbline/alert"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

const (
	tellWidth  = 100 // columns of the terminal that the narrator fills
	tellIndent = 15  // columns that the clock takes, "day 2, 14:15  "
)

// narrator tells a demo in plain words, each line with the batch's clock.
type narrator struct {
	out      io.Writer
	location *time.Location
	pitched  time.Time
	last     time.Time // of the last line: the story does not go back
	warned   bool      // the cautions of packaging have been told
	err      error     // the first that out gave; nothing is told after it
}

func (n *narrator) line(text string) {
	if n.err == nil {
		_, n.err = io.WriteString(n.out, strings.ReplaceAll(text, firm, " ")+"\n")
	}
}

// firm is a space at which a line is never broken, between a number and what
// belongs to it; it is printed as a plain space.
const firm = "\u00a0"

// introduce says what is about to be seen.
func (n *narrator) introduce(speed float64, page, broker string) {
	n.paragraph("",
		"Maren brews beer that must stay under an alcohol ceiling. She cools each batch, which brewers call the crash, before the yeast has made too much alcohol. "+
			"Because the beer takes hours to get cold and the yeast works on meanwhile, the crash must start early. ebbline listens to the floats in her vessels and tells her when.")
	n.paragraph("", fmt.Sprintf(
		"Beer, floats and Maren are invented; the messages, the broker, the estimates and the alerts are the real thing. One second here is %s in her cellar. "+
			"± is one standard deviation. “In truth” is what only the simulation knows.", inWords(time.Duration(speed*float64(time.Second)))))
	n.paragraph("", "Look at the page: "+page+" (the floats publish to the MQTT broker on "+broker+"; Ctrl-C ends the demo.)")
	n.line("")
}

// inWords rounds a duration to what a listener takes in.
func inWords(d time.Duration) string {
	if d >= 90*time.Minute {
		return fmt.Sprintf("about %.1f hours", d.Hours())
	}
	return fmt.Sprintf("about %.0f minutes", d.Minutes())
}

// tell writes one line of the story, wrapped under its clock. What a watch says of
// a moment that the story has passed stands at the moment when it is heard.
func (n *narrator) tell(at time.Time, text string) {
	if at.Before(n.last) {
		at = n.last
	}
	n.last = at
	n.paragraph(n.clock(at), text)
}

// clock is the time as a batch's days are counted: day 1 is the day of pitch.
func (n *narrator) clock(at time.Time) string {
	day := func(t time.Time) time.Time {
		y, m, d := t.In(n.location).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	number := int(day(at).Sub(day(n.pitched)).Hours()/24) + 1
	return fmt.Sprintf("day %d, %s", number, at.In(n.location).Format("15:04"))
}

func (n *narrator) paragraph(clock, text string) {
	indent := tellIndent
	if clock == "" {
		indent = 0
	}
	line := fmt.Sprintf("%-*s", indent, clock)
	column, first := utf8.RuneCountInString(line), true
	for word := range strings.SplitSeq(text, " ") {
		width := utf8.RuneCountInString(word)
		if !first && column+1+width > tellWidth {
			n.line(line)
			line, column, first = strings.Repeat(" ", indent), indent, true
		}
		if !first {
			line, column = line+" ", column+1
		}
		line, column, first = line+word, column+width, false
	}
	n.line(line)
}

func (n *narrator) pitch(b *vat) {
	n.tell(b.v.PitchedAt, fmt.Sprintf("Maren pitches %s into %s: %g litres at %s by her hydrometer; it must not end above %s. %s",
		b.name, b.vessel, float64(b.v.Volume), sgText(b.v.OriginalGravity), b.ceiling(), b.remark))
}

func (n *narrator) sample(b *vat, at time.Time, g gravity.SG) {
	n.tell(at, fmt.Sprintf("%s: Maren draws a sample by hand and enters %s.", b.name, sgText(g)))
}

func (n *narrator) ph(b *vat, at time.Time, ph float64) {
	n.tell(at, fmt.Sprintf("%s: Maren measures pH"+firm+"%.1f and enters it.", b.name, ph))
}

// phone repeats what a brewer's phone shows.
func (n *narrator) phone(b *vat, at time.Time, a *alert.Alert) {
	mark := "Phone"
	if a.Severity == alert.Urgent {
		mark = "THE PHONE RINGS"
	}
	said := a.Message
	if title := strings.TrimRight(strings.TrimSuffix(a.Title, ": "+b.name), ".!"); !strings.HasPrefix(said, title) {
		said = title + ". " + said
	}
	n.tell(at, fmt.Sprintf("%s: %s: “%s”", b.name, mark, said))
}

func (n *narrator) resolved(b *vat, at time.Time, r *alert.Resolved) {
	n.tell(at, fmt.Sprintf("%s: ebbline takes back %s: %s.", b.name, wordOf(r.Kind), r.Why))
}

// wordOf is what an alert of a kind says, as part of a sentence.
func wordOf(k alert.Kind) string {
	switch k {
	case alert.StaysBelow:
		return "that it stays below its ceiling"
	case alert.OverCeiling:
		return "that it is above its ceiling"
	case alert.NotCooling:
		return "that it does not get cold"
	case alert.StillFermenting:
		return "that it ferments on in the cold"
	case alert.NotStarted:
		return "that it does not ferment yet"
	case alert.SensorSilent:
		return "that a sensor is silent"
	case alert.SensorSuspect:
		return "that a sensor is doubtful"
	case alert.Temperature:
		return "that its temperature is out of range"
	}
	return "a word of its own" // the others end with what the brewer does, see worthTelling
}

// belief compares what the float shows, what ebbline believes and what is true.
func (n *narrator) belief(b *vat, at time.Time, truth ferment.Truth) {
	if b.estimate == nil {
		return
	}
	e := b.estimate
	n.tell(at, fmt.Sprintf("%s: its float shows %s; ebbline believes %s, %s; in truth %s, %s. The beer has %.0f"+firm+"°C.",
		b.name, sgText(b.shown), give(sgText(e.Gravity), fmt.Sprintf("%.4f", e.GravitySD), ""), strength(e),
		sgText(truth.Gravity), percent(truth.ABV), truth.Temperature))
}

func (n *narrator) crash(b *vat, at time.Time) {
	n.tell(at, fmt.Sprintf("%s: Maren starts the crash: %s goes into the cold, %.0f"+firm+"°C, and she taps “crash started”. Why now: %s.",
		b.name, b.vessel, float64(b.v.CrashTo), b.why))
}

// keg tells the end of a batch, the first time with the cautions that belong to
// it.
func (n *narrator) keg(b *vat, at time.Time) {
	n.tell(at, fmt.Sprintf("%s has come to rest and Maren kegs it. %s", b.name, b.verdict()))
	if n.warned {
		return
	}
	n.warned = true
	for _, c := range gravity.Cautions(gravity.Packaging) {
		n.tell(at, c)
	}
}

// verdict is believed against true, a sentence.
func (b *vat) verdict() string {
	where := "above"
	if b.held() {
		where = "under"
	}
	return fmt.Sprintf("ebbline believes %s; in truth it ends at %s, which is %s its ceiling of %s.", strength(b.estimate), percent(b.finalTrue), where, b.ceiling())
}

// summary is the table at the end.
func (n *narrator) summary(vats []*vat) error {
	rows := []string{"batch\tebbline believes\tin truth\tceiling\tso it ends"}
	for _, b := range vats {
		believed, truth, end := "nothing yet", "", "(still on its way)"
		if b.estimate != nil {
			believed = strength(b.estimate)
		}
		if !b.kegged.IsZero() {
			truth, end = percent(b.finalTrue), "ABOVE ITS CEILING"
			if b.held() {
				end = "under its ceiling"
			}
		}
		rows = append(rows, strings.Join([]string{b.name, believed, truth, b.ceiling(), end}, "\t"))
	}
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 3, ' ', 0)
	if _, err := io.WriteString(w, strings.Join(rows, "\n")); err != nil {
		return fmt.Errorf("laying out the table: %w", err)
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("laying out the table: %w", err)
	}
	n.line("")
	n.line(table.String())
	return n.err
}

func (b *vat) ceiling() string { return b.v.Ceiling.String() + firm + "%" + firm + "ABV" }

func strength(e *projection.Estimate) string {
	return give(fmt.Sprintf("%.2f", e.ABV), fmt.Sprintf("%.2f", e.ABVSD), firm+"%"+firm+"ABV")
}

func give(value, spread, unit string) string { return value + firm + "±" + firm + spread + unit }

func percent(a gravity.ABV) string { return fmt.Sprintf("%.2f"+firm+"%%", a) }

func sgText(g gravity.SG) string { return fmt.Sprintf("%.4f", float64(g)) }
