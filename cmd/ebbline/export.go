package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// ExportCmd writes what the journal holds as files that replay reads.
type ExportCmd struct {
	Config string   `type:"path" placeholder:"FILE" help:"Configuration file that names the data folder."`
	Batch  []string `placeholder:"ID" help:"Only this batch; may be given several times."`
	To     string   `arg:"" type:"path" help:"Folder to make; it must not exist yet."`
}

// Help is the long help with an example.
func (ExportCmd) Help() string {
	return `For each batch FOLDER/ID/ holds batch.yaml, capture.jsonl (its readings and what people
entered, one a line, by arrival) and events.jsonl (what ebbline said). Replaying gives the events
again, in the words of the configuration's time zone and units:
  ebbline replay --config FILE --batch FOLDER/ID/batch.yaml FOLDER/ID/capture.jsonl
It may be taken while the daemon runs. If the disk has changed something in the record, all the rest is
written, what was left out is named, and the exit status is 1.

Example:
  ebbline export --config /etc/ebbline.yaml cellar-2026`
}

// Run exports from a copy, so that the daemon may go on.
func (c *ExportCmd) Run(out io.Writer) (err error) {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	ctx := context.Background()
	if err := os.Mkdir(c.To, 0o700); err != nil {
		return pathHint(fmt.Errorf("making the folder to export to: %w", err))
	}
	defer func() {
		if err != nil {
			_ = os.Remove(c.To) // an empty one only
		}
	}()
	work, err := os.MkdirTemp(c.To, "copy")
	if err != nil {
		return pathHint(fmt.Errorf("making a copy to export from: %w", err))
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	if err := journal.CopyFolder(ctx, cfg.Data, filepath.Join(work, journal.FileName)); err != nil {
		return pathHint(fmt.Errorf("nothing is exported: %w", err))
	}
	j, err := journal.Open(work, journal.Options{Unlooked: true}) // what is found is what is left out
	if err != nil {
		return pathHint(fmt.Errorf("opening the copy to export from: %w", err))
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	ids, err := c.chosen(ctx, j)
	if err != nil {
		return err
	}
	for _, id := range ids {
		lines, thinned, err := exportBatch(ctx, j, id, filepath.Join(c.To, fileSafe(id)))
		if err != nil {
			return pathHint(fmt.Errorf("exporting batch %s, what is in %s is not whole: %w", id, c.To, err))
		}
		fmt.Fprintf(out, "%s: %s lines%s\n", id, thousands(int64(lines)), thinnedNote(thinned))
	}
	return errors.Join(sayAnew(out, cfg.Data), leftOut(j.Damaged()))
}

// chosen are the batches to export.
func (c *ExportCmd) chosen(ctx context.Context, j *journal.Journal) ([]string, error) {
	all, err := j.BatchIDs(ctx)
	if err != nil || len(c.Batch) == 0 {
		return all, err
	}
	for _, id := range c.Batch {
		if !slices.Contains(all, id) {
			return nil, usageError{fmt.Errorf("there is no batch %q; the record has %d", id, len(all))}
		}
	}
	return slices.DeleteFunc(all, func(id string) bool { return !slices.Contains(c.Batch, id) }), nil
}

// fileSafe is an ID as a folder's name that every system takes.
func fileSafe(id string) string {
	b := []byte(id)
	for i, c := range b {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			b[i] = '_'
		}
	}
	return string(b)
}

func exportBatch(ctx context.Context, j *journal.Journal, id, dir string) (lines int, thinned time.Time, err error) {
	x := exporter{ctx: ctx, journal: j, id: id, end: time.Now()}
	capture, describe := x.capture, x.describe
	b, err := j.Batch(ctx, id)
	switch {
	case errors.Is(err, journal.ErrChanged):
		capture, describe = x.entries, nil
	case err != nil:
		return 0, thinned, err
	default:
		if x.file, err = config.DecodeSpec(b.Spec); err != nil {
			return 0, thinned, err
		}
		if b.Ended != nil {
			x.end = *b.Ended
		}
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return 0, thinned, err
	}
	if err := intoFile(filepath.Join(dir, "capture.jsonl"), capture); err != nil {
		return 0, thinned, err
	}
	if err := intoFile(filepath.Join(dir, "events.jsonl"), x.events); err != nil || describe == nil {
		return x.lines, x.thinned, err
	}
	return x.lines, x.thinned, intoFile(filepath.Join(dir, "batch.yaml"), func(w io.Writer) error { return describe(w, b.Spec) })
}

func intoFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	return errors.Join(write(w), w.Flush(), f.Sync(), f.Close())
}

// exporter writes one batch.
type exporter struct {
	ctx     context.Context
	journal *journal.Journal
	id      string
	file    config.BatchFile
	end     time.Time // of the batch, or now
	lines   int
	clock   time.Time // as the watch's was, about; see moment
	fed     time.Time // arrival of the last input; zero: none yet
	thinned time.Time // readings before it were thinned; zero: none was
}

// capture writes the inputs in the order in which the watch read them.
func (x *exporter) capture(w io.Writer) error {
	sensors, after := x.file.Batch.Sensors, int64(0)
	x.clock = x.file.Batch.PitchedAt
	if err := x.tellThinned(w); err != nil {
		return err
	}
	for {
		readings, entries, err := x.journal.SoundInputs(x.ctx, x.id, sensors, after, x.file.Batch.PitchedAt, inputChunk)
		if err != nil {
			return err
		}
		inputs := untilSwap(merge(readings, entries, inputChunk))
		if len(inputs) == 0 {
			return nil
		}
		if err := undo(x.ctx, x.journal, x.id, inputs); err != nil {
			return err
		}
		for len(inputs) > 0 {
			n, first := 1, inputs[0]
			switch {
			case first.undone:
			case first.entry == nil:
				n = together(inputs)
				err = x.readings(w, inputs[:n])
			default:
				err = x.entry(w, *first.entry, &sensors)
			}
			if err != nil || first.entry != nil && first.entry.Kind == journal.Packaged && !first.undone {
				return err
			}
			after, inputs = inputs[n-1].seq, inputs[n:]
		}
	}
}

// moment is what the watch's clock showed when something arrived: it follows
// the present, but waits while a record from the past comes in (kept.waits).
func (x *exporter) moment(arrived, own time.Time) time.Time {
	pause := idle
	if x.fed.IsZero() {
		pause, x.fed = firstIdle, arrived
	}
	if waits := arrived.Sub(x.clock) > historic && arrived.Sub(x.fed) < pause; !waits {
		x.clock = latest(x.clock, arrived.Add(-settle))
	}
	x.fed = arrived
	x.clock = latest(x.clock, own)
	return x.clock
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// exportedReading is a reading as the journal holds it, corrected where its
// sensor asked for that.
type exportedReading struct {
	Sensor   string          `json:"sensor"`
	Quantity ingest.Quantity `json:"quantity"`
	Time     time.Time       `json:"time"`
	Value    float64         `json:"value"`
	Repeated bool            `json:"repeated,omitempty"`
}

// readings writes those that arrived with one message as one line.
func (x *exporter) readings(w io.Writer, all []input) error {
	g := all[0].reading
	own := g.Arrived
	if g.Arrived.Sub(g.Time) > historic {
		own = g.Time
	}
	var payload []exportedReading
	for _, in := range all {
		payload = append(payload, exportedReading{in.reading.Sensor, in.reading.Quantity, in.reading.Time.UTC(), in.reading.Value, in.reading.Repeated})
	}
	return x.line(w, x.moment(g.Arrived, own), readingsTopic, payload)
}

// together is how many of the inputs came with the first one's message.
func together(all []input) int {
	n := 1
	for n < len(all) && all[n].reading != nil && all[n].reading.Arrived.Equal(all[0].reading.Arrived) && all[n].reading.Time.Equal(all[0].reading.Time) {
		n++
	}
	return n
}

// exportedEntry is what a person entered.
type exportedEntry struct {
	Seq     int64             `json:"seq"`
	Kind    journal.EntryKind `json:"kind"`
	Time    time.Time         `json:"time"`
	Entered time.Time         `json:"entered"`
	Body    json.RawMessage   `json:"body,omitempty"`
}

// The topics of lines that an export wrote. They are ours: no device may use
// them, so no sensor can be meant.
const (
	readingsTopic = "ebbline/batch/readings"
	entryTopic    = "ebbline/batch/entry"
	thinnedTopic  = "ebbline/batch/thinned"
)

func (x *exporter) entry(w io.Writer, e journal.Entry, sensors *[]string) error {
	if e.Kind == journal.SensorChanged {
		var body struct {
			Sensors []string `json:"sensors"`
		}
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return fmt.Errorf("decoding sensors %d: %w", e.Seq, err)
		}
		*sensors = body.Sensors
	}
	return x.line(w, x.moment(e.Entered, time.Time{}), entryTopic, asExported(e))
}

func asExported(e journal.Entry) exportedEntry {
	return exportedEntry{e.Seq, e.Kind, e.Time.UTC(), e.Entered.UTC(), e.Body}
}

func (x *exporter) line(w io.Writer, at time.Time, topic string, payload any) error {
	x.lines++
	return writeLine(w, map[string]any{"time": at.UTC().Format(time.RFC3339Nano), "topic": topic, "payload": payload})
}

func writeLine(w io.Writer, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

// events writes what was said, as replay says it.
func (x *exporter) events(w io.Writer) error {
	all, err := x.journal.Events(x.ctx, x.id, []string{"estimate", "projection", "alert"}, time.Time{}, time.Time{}, 0, false)
	if err != nil {
		return err
	}
	for _, e := range all {
		if _, err := w.Write(append(slices.Clone(e.Body), '\n')); err != nil {
			return err
		}
	}
	return nil
}

// describe writes the batch as it was described. Sensors that stand in a
// configuration are named once more, because a batch file must know them; the
// capture's lines do not need their topics.
func (x *exporter) describe(w io.Writer, spec json.RawMessage) error {
	var whole map[string]any
	if err := json.Unmarshal(spec, &whole); err != nil {
		return fmt.Errorf("reading its description: %w", err)
	}
	var sensors []map[string]any
	for i, name := range x.file.Batch.Sensors {
		sensors = append(sensors, map[string]any{
			"name": name, "topic": fmt.Sprintf("record/%d", i), "readings": []map[string]string{{"quantity": "gravity", "pointer": "/value", "unit": "sg"}},
		})
	}
	whole["sensors"] = sensors
	text, err := json.MarshalIndent(whole, "", "  ")
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n')) // JSON is YAML
	return err
}

// exported takes a line that an export wrote; false if it is not one.
func (r *replayer) exported(l captureLine) ([]alert.Event, bool, error) {
	switch l.Topic {
	case readingsTopic:
		var all []exportedReading
		if err := json.Unmarshal(l.Payload, &all); err != nil {
			return nil, true, fmt.Errorf("%s: reading a line of readings: %w", r.place, err)
		}
		var readings []ingest.Reading
		for _, g := range all {
			readings = append(readings, ingest.Reading{Sensor: g.Sensor, Quantity: g.Quantity, Time: g.Time, Value: g.Value, Repeated: g.Repeated})
		}
		return r.watch.Observe(r.clock, r.observations(readings)...), true, nil
	case thinnedTopic:
		return nil, true, r.thinned(l.Payload)
	case entryTopic:
		events, err := r.entered(l.Payload)
		if err != nil {
			err = fmt.Errorf("%s: %w", r.place, err)
		}
		return events, true, err
	}
	return nil, false, nil
}

// entered gives a replay what a person entered.
func (r *replayer) entered(payload json.RawMessage) ([]alert.Event, error) {
	var e exportedEntry
	if err := json.Unmarshal(payload, &e); err != nil {
		return nil, fmt.Errorf("reading what was entered: %w", err)
	}
	k := kept{watched: watched{watch: r.watch}}
	events, _, err := k.enter(journal.Entry{Seq: e.Seq, Kind: e.Kind, Time: e.Time, Entered: e.Entered, Body: e.Body})
	if k.swapped != nil {
		clear(r.belong)
		for _, s := range k.swapped {
			r.belong[s] = true
		}
	}
	return events, err
}
