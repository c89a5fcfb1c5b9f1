package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/projection"
)

// maxCaptureLine bounds one line of a capture; a payload is at most 64 KiB, so
// a longer line is a broken file rather than a message.
const maxCaptureLine = 8 << 20

// ReplayCmd runs a recorded stream through the pipeline of the daemon.
type ReplayCmd struct {
	Batch   string        `required:"" type:"path" placeholder:"FILE" help:"Batch file with batch and sensors."`
	Config  string        `type:"path" placeholder:"FILE" help:"Configuration whose time zone, units and quiet hours are used."`
	Every   time.Duration `default:"15m" help:"At most one estimate and one projection in this time."`
	Capture string        `arg:"" help:"Capture as JSON Lines, .gz read as such; - reads standard input."`
}

// Help is the long help with an example.
func (ReplayCmd) Help() string {
	return `CAPTURE holds one MQTT message a line, by arrival:
  {"time": "2026-03-02T18:00:00Z", "topic": "cellar/float-1", "payload": {"g": 1.0155, "t": 18.1}}
Output is JSON Lines: estimate, projection, alert, rejected.

Example:
  ebbline replay --batch batch.yaml capture.jsonl.gz`
}

// Run writes the events to out.
func (c *ReplayCmd) Run(stdin io.Reader, out io.Writer, aside asides) error {
	file, err := config.LoadBatch(c.Batch)
	if err != nil {
		return usageError{err}
	}
	if len(file.Sensors) == 0 {
		return usageError{fmt.Errorf("%s:1:1: a replay needs the sensors in the batch file: add sensors", c.Batch)}
	}
	if c.Every < 15*time.Minute {
		return usageError{fmt.Errorf("--every %s: at least 15m, which is how often a belief is renewed", config.Span(c.Every))}
	}
	in, name, closeIn, err := openCapture(c.Capture, stdin)
	if err != nil {
		return usageError{err}
	}
	defer closeIn()
	w := bufio.NewWriterSize(out, 1<<16)
	o, err := c.options()
	if err != nil {
		return err
	}
	r, err := newReplayer(file, watchOptions(file, o), w)
	if err != nil {
		return usageError{fmt.Errorf("%s: %w", c.Batch, err)}
	}
	r.aside = aside
	if err := r.all(in, name); err != nil {
		return errors.Join(err, w.Flush())
	}
	return w.Flush()
}

// options are the brewer's, if a configuration says them.
func (c *ReplayCmd) options() (alert.Options, error) {
	var o alert.Options
	if c.Config != "" {
		cfg, err := config.Load(c.Config)
		if err != nil {
			return o, usageError{err}
		}
		o = brewerOptions(cfg)
	}
	o.Every = c.Every
	return o, nil
}

// openCapture opens a capture by name; "-" is standard input.
func openCapture(name string, stdin io.Reader) (io.Reader, string, func(), error) {
	in, done := stdin, func() {}
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, "", nil, fmt.Errorf("opening the capture: %w", err)
		}
		in, done = f, func() { _ = f.Close() }
	} else {
		name = "standard input"
	}
	if strings.HasSuffix(name, ".gz") {
		z, err := gzip.NewReader(in)
		if err != nil {
			done()
			return nil, "", nil, fmt.Errorf("%s: not a gzip file: %w", name, err)
		}
		in = z
	}
	return in, name, done, nil
}

// captureLine is one line of a capture.
type captureLine struct {
	Time     time.Time       `json:"time"`
	Topic    string          `json:"topic"`
	Payload  json.RawMessage `json:"payload"`
	Retained bool            `json:"retained"`
}

// message is the MQTT message a line stands for: a JSON string is the payload
// itself, anything else is JSON as it was sent.
func (l captureLine) message() ingest.Message {
	payload := []byte(l.Payload)
	var text string
	if len(payload) > 0 && payload[0] == '"' && json.Unmarshal(payload, &text) == nil {
		payload = []byte(text)
	}
	return ingest.Message{Topic: l.Topic, Payload: payload, Retained: l.Retained, Arrived: l.Time}
}

// replayer is the daemon's pipeline without broker, journal and wall clock.
type replayer struct {
	mapper *ingest.Mapper
	watch  *alert.Watch
	belong map[string]bool
	seen   map[readingKey]bool
	clock  time.Time
	gap    time.Duration // the longest between two lines
	place  string        // of the line at hand, as in errors
	out    io.Writer
	aside  io.Writer // what is told to a person; nil: nobody
}

// maxGap bounds the time between two lines: the watch looks at every day of it,
// and a clock that ran away would have it look for centuries.
const maxGap = 366 * 24 * time.Hour

// readingKey is what makes two readings the same one, as in the journal.
type readingKey struct {
	sensor   string
	quantity ingest.Quantity
	time     int64
}

func newReplayer(file config.BatchFile, o alert.Options, out io.Writer) (*replayer, error) {
	mapper, err := ingest.Compile(file.Sensors)
	if err != nil {
		return nil, err
	}
	watch, err := newWatch(file, o)
	if err != nil {
		return nil, err
	}
	r := &replayer{mapper: mapper, watch: watch, belong: map[string]bool{}, seen: map[readingKey]bool{}, gap: maxGap, out: out}
	for _, s := range file.Batch.Sensors {
		r.belong[s] = true
	}
	return r, nil
}

// watchOptions are o with what the batch's file settles.
func watchOptions(file config.BatchFile, o alert.Options) alert.Options {
	o.HeadsUp = file.HeadsUp
	if t := file.Temperature; t != nil {
		o.Range = &alert.Range{Low: t.Low, High: t.High}
	}
	if file.Quiet != nil {
		o.Quiet = quietHours(file.Quiet)
	}
	return o
}

// newWatch makes the watch of a batch as its file describes it.
func newWatch(file config.BatchFile, o alert.Options) (*alert.Watch, error) {
	w, err := alert.NewWatch(file.Batch, o)
	if err != nil {
		return nil, err
	}
	for i, s := range file.Samples { // numbered as the page numbers them
		w.Enter(file.Batch.PitchedAt, alert.Input{Ref: -int64(i) - 1, Sample: &s})
	}
	return w, nil
}

// all reads every line; the run ends with the last one.
func (r *replayer) all(in io.Reader, name string) error {
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 1<<16), maxCaptureLine)
	n := 0
	for lines.Scan() {
		n++
		text := bytes.TrimSpace(lines.Bytes())
		if len(text) == 0 {
			continue
		}
		var l captureLine
		if err := json.Unmarshal(text, &l); err != nil {
			return fmt.Errorf("%s:%d:%d: not a capture line: %w; want {\"time\", \"topic\", \"payload\"}", name, n, errorColumn(err), err)
		}
		if l.Time.IsZero() || l.Topic == "" {
			return fmt.Errorf("%s:%d:1: a capture line needs time (RFC 3339) and topic", name, n)
		}
		r.place = fmt.Sprintf("%s:%d:1", name, n)
		before := r.clock
		if before.IsZero() {
			before = r.watch.Now()
		}
		if l.Time.Sub(before) > r.gap {
			return fmt.Errorf("%s: its time %s is more than a year after what was before it, %s: correct it or take the line out", r.place, l.Time.Format(time.RFC3339), before.UTC().Format(time.RFC3339))
		}
		if err := r.line(l); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("%s:%d:1: reading the capture: %w", name, n+1, err)
	}
	return nil
}

// errorColumn is where in its line a JSON error stands, from 1.
func errorColumn(err error) int64 {
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		return syntax.Offset
	}
	var kind *json.UnmarshalTypeError
	if errors.As(err, &kind) {
		return kind.Offset
	}
	return 1
}

// line takes one message: first what fell due before it, then its refusals,
// then what its readings lead to.
func (r *replayer) line(l captureLine) error {
	if l.Time.After(r.clock) {
		r.clock = l.Time
	}
	if err := r.say(r.watch.Tick(r.clock)); err != nil {
		return err
	}
	if events, ours, err := r.exported(l); ours {
		return errors.Join(err, r.say(events))
	}
	readings, refusals := r.mapper.Decode(l.message())
	for _, f := range refusals {
		if err := r.rejected(f); err != nil {
			return err
		}
	}
	return r.say(r.watch.Observe(r.clock, r.observations(readings)...))
}

// observations keeps the readings of this batch that were not seen before.
func (r *replayer) observations(readings []ingest.Reading) []projection.Observation {
	var obs []projection.Observation
	for _, g := range readings {
		key := readingKey{g.Sensor, g.Quantity, g.Time.UnixMicro()}
		if !r.belong[g.Sensor] || r.seen[key] {
			continue
		}
		r.seen[key] = true
		obs = append(obs, observation(g))
	}
	return obs
}

func observation(g ingest.Reading) projection.Observation {
	return projection.Observation{Time: g.Time, Sensor: g.Sensor, Quantity: projection.Quantity(g.Quantity), Value: g.Value, Repeated: g.Repeated}
}

func (r *replayer) say(events []alert.Event) error {
	for _, e := range events {
		line, err := e.Line()
		if err != nil {
			return fmt.Errorf("writing an event: %w", err)
		}
		if line == nil {
			continue
		}
		if _, err := r.out.Write(append(line, '\n')); err != nil {
			return fmt.Errorf("writing an event: %w", err)
		}
	}
	return nil
}

func (r *replayer) rejected(f ingest.Refusal) error {
	line, err := json.Marshal(struct {
		Type   string        `json:"type"`
		Time   time.Time     `json:"time"`
		Topic  string        `json:"topic"`
		Reason ingest.Reason `json:"reason"`
		Detail string        `json:"detail,omitempty"`
	}{"rejected", r.clock.UTC(), f.Topic, f.Reason, f.Detail})
	if err != nil {
		return fmt.Errorf("writing a refusal: %w", err)
	}
	_, err = r.out.Write(append(line, '\n'))
	return err
}
