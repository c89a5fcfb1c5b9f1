package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/projection"
)

// describe prints in plain words what a file was understood to say.
func (f *checked) describe(out io.Writer) error {
	w := &lines{out: out}
	if f.config == nil {
		w.line("%s is a batch file.", f.name)
		describeBatch(w, f.file, time.Now())
		describeSensors(w, f.file.Sensors)
		return w.err
	}
	w.line("%s is a configuration.", f.name)
	describeConfig(w, f.config)
	describeSensors(w, f.config.Sensors)
	if f.config.Batch != nil {
		describeBatch(w, *f.config.Batch, time.Now())
	}
	return w.err
}

// lines writes lines until one fails.
type lines struct {
	out io.Writer
	err error
}

func (w *lines) line(format string, args ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w.out, format+"\n", args...)
	}
}

func describeConfig(w *lines, c *config.Config) {
	w.line("  data in %s", c.Data)
	switch {
	case c.MQTT.URL == "":
		who := "anyone on this machine may publish"
		if n := len(c.MQTT.Users); n > 0 {
			who = plural(n, "user") + " may publish"
		}
		w.line("  embedded MQTT broker on %s, %s%s", c.MQTT.Listen, who, when(c.MQTT.CertFile != "", ", TLS"))
	case c.MQTT.Username != "":
		w.line("  readings from the broker %s as %s", c.MQTT.URL, c.MQTT.Username)
	default:
		w.line("  readings from the broker %s without a user name", c.MQTT.URL)
	}
	w.line("  page on %s%s%s", c.Page.Listen, when(c.Page.CertFile != "", ", TLS"), when(c.Page.PublicURL != "", ", links to "+c.Page.PublicURL))
	for _, open := range c.Exposed() {
		w.line("    note: %s", open)
	}
	if q := c.Quiet; q != nil {
		w.line("  quiet from %s to %s%s: only what is urgent is told then", q.From, q.To, zoneWords(c))
	}
	describeChannels(w, c.Notify)
	describeOutward(w, c)
	if c.Mirror.InfluxDB.URL != "" {
		w.line("  copies to InfluxDB at %s, bucket %s", c.Mirror.InfluxDB.URL, c.Mirror.InfluxDB.Bucket)
	}
}

// zoneWords names the clock by which the brewer's hours go.
func zoneWords(c *config.Config) string {
	if c.Zone == nil {
		return " by this machine’s clock"
	}
	return " in " + c.Zone.String()
}

// longPitched is how many days after its pitch a batch that must stay under a
// ceiling is unlikely to be begun: common practice is days to weeks.
const longPitched = 60

func describeBatch(w *lines, f config.BatchFile, now time.Time) {
	b := f.Batch
	w.line("  batch %s (%s): %.4g L, %s yeast, pitched %s", b.Name, b.ID, float64(b.Volume), b.Yeast, b.PitchedAt.Format("2006-01-02 15:04 MST"))
	w.line("    original gravity %.4f, give or take %.2g points", float64(b.OriginalGravity), float64(b.OriginalGravitySD))
	w.line("    ceiling %s, by the rule %s%s", ceilingWords(b), b.Rule, targetWords(b))
	w.line("    accepted risk %.3g %%; a crash starts %s after the notification and cools to %.3g °C, time constant %s",
		100*b.Risk, config.Span(b.ResponseTime), float64(b.Crash.To), config.Span(b.Crash.TimeConstant))
	if f.Temperature != nil {
		w.line("    to be kept at %.3g to %.3g °C", float64(f.Temperature.Low), float64(f.Temperature.High))
	}
	if len(f.HeadsUp) > 0 {
		leads := make([]string, len(f.HeadsUp))
		for i, d := range f.HeadsUp {
			leads[i] = config.Span(d)
		}
		w.line("    heads-up %s ahead", strings.Join(leads, " and "))
	}
	if len(b.Sensors) == 0 {
		w.line("    no sensors: only hand samples will tell")
	} else {
		w.line("    sensors %s", strings.Join(b.Sensors, ", "))
	}
	if len(f.Samples) > 0 {
		w.line("    %s by hand", plural(len(f.Samples), "sample"))
	}
	for _, warning := range f.Warnings {
		w.line("    note: %s", warning)
	}
	if days := int(now.Sub(b.PitchedAt).Hours() / 24); days > longPitched {
		w.line("    note: pitched %d days ago. Are year and month right? It would ring for what has been due since.", days)
	}
}

func describeSensors(w *lines, sensors []ingest.Sensor) {
	for _, s := range sensors {
		clock := ", time of arrival"
		switch {
		case s.Format == ingest.SenMLFormat:
			clock = ", SenML with its own times"
		case s.Time != "":
			clock = ", its own clock at " + s.Time
		}
		each := when(strings.ContainsAny(s.Topic, "+#"), ", each topic a sensor "+s.Name+"/…")
		w.line("  sensor %s: topic %s%s%s%s", s.Name, s.Topic, each, clock, when(s.Text, ", numbers in strings accepted"))
		for _, r := range s.Readings {
			w.line("    %s %s%s%s", r.Quantity, place(s, r), when(r.Unit != "", " in "+r.Unit), correction(r))
		}
	}
}

// place is where a value stands in the payload.
func place(s ingest.Sensor, r ingest.ReadingSpec) string {
	switch {
	case s.Format == ingest.SenMLFormat:
		return "in record " + r.Record
	case r.Pointer == "":
		return "is the whole payload"
	}
	return "at " + r.Pointer
}

// correction is what happens to the value before it is believed.
func correction(r ingest.ReadingSpec) string {
	text := ""
	if len(r.Calibration) > 0 {
		text = fmt.Sprintf(", becomes gravity by %s", plural(len(r.Calibration), "coefficient"))
	}
	if r.CalibratedAt != nil {
		text += fmt.Sprintf(", corrected from a scale made for %.3g °C", float64(*r.CalibratedAt))
	}
	return text
}

func ceilingWords(b projection.Batch) string {
	if b.Ceiling.Strict {
		return fmt.Sprintf("less than %g %% ABV", float64(b.Ceiling.Limit))
	}
	return fmt.Sprintf("not more than %g %% ABV", float64(b.Ceiling.Limit))
}

// targetWords says where the ceiling lies on the float's scale.
func targetWords(b projection.Batch) string {
	target, err := b.Rule.Target(b.OriginalGravity, b.Ceiling)
	if err != nil {
		return ": " + err.Error()
	}
	return fmt.Sprintf(": reached at gravity %.4f, after %.2g points", float64(target), 1000*float64(b.OriginalGravity-target))
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// when is the text if the condition holds.
func when(condition bool, text string) string {
	if condition {
		return text
	}
	return ""
}
