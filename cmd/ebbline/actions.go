package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// farFuture is how far ahead of the daemon's clock a person's entry may lie: a
// phone's clock is never quite ours.
const farFuture = 5 * time.Minute

// StartBatch starts the batch that a batch file describes.
func (d *daemon) StartBatch(ctx context.Context, raw []byte) (string, error) {
	file, err := config.ParseBatch("batch file", raw, d.defined())
	if err != nil {
		return "", &page.Refused{Text: err.Error()}
	}
	if all, err := d.differences(ctx, file); err == nil && len(all) > 0 {
		return "", &page.Refused{Text: fmt.Sprintf("Batch %s runs already: %s.%s", file.Batch.ID, sentenceOf(all), begunAnewWords(file.Batch.ID))}
	}
	if err := d.createBatch(ctx, file); err != nil {
		return "", err
	}
	return file.Batch.ID, nil
}

// createBatch starts a batch once; samples of its file that are new are added
// if it runs already.
func (d *daemon) createBatch(ctx context.Context, file config.BatchFile) error {
	if err := d.mayBegin(ctx, file); err != nil {
		return err
	}
	names, err := d.learnSensors(d.unlessItRuns(ctx, file))
	if err != nil {
		return &page.Refused{Field: "sensors", Text: err.Error()}
	}
	b := journal.Batch{ID: file.Batch.ID, Name: file.Batch.Name, Spec: file.Raw, Sensors: names, Started: file.Batch.PitchedAt}
	created, err := d.journal.CreateBatch(ctx, b)
	var claimed journal.ErrSensorClaimed
	switch {
	case errors.As(err, &claimed):
		return &page.Refused{Field: "sensors", Text: claimed.Error()}
	case err != nil:
		return fmt.Errorf("creating batch %s: %w", b.ID, err)
	case !created:
		return d.addNewSamples(ctx, file)
	}
	if err := d.keeper.open(ctx, b); err != nil {
		return err
	}
	for _, w := range file.Warnings {
		d.log.Warn(w, "batch", b.ID)
	}
	d.log.Info("batch started", "batch", b.ID, "sensors", names)
	return d.refilter()
}

// mayBegin refuses a batch that is pitched in the future or says what nobody means,
// unless it is recorded already: a daemon comes up with what it has, whatever its
// clock says.
func (d *daemon) mayBegin(ctx context.Context, file config.BatchFile) error {
	fault := errors.Join(file.Ahead(d.clock.Now(), farFuture), file.Impossible())
	if fault == nil {
		return nil
	}
	_, err := d.journal.Batch(ctx, file.Batch.ID)
	if errors.Is(err, journal.ErrNotFound) {
		return &page.Refused{Text: fault.Error()}
	}
	return err
}

// addNewSamples enters those samples of a running batch's file that its
// description does not hold.
func (d *daemon) addNewSamples(ctx context.Context, file config.BatchFile) error {
	b, err := d.journal.Batch(ctx, file.Batch.ID)
	if err != nil {
		return fmt.Errorf("reading batch %s: %w", file.Batch.ID, err)
	}
	old, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
	}
	known := map[string]bool{}
	for _, s := range old.Samples {
		known[sampleKey(s)] = true
	}
	for _, s := range file.Samples {
		if known[sampleKey(s)] {
			continue
		}
		if err := d.enter(ctx, b.ID, journal.SampleEntry, s.Time, sampleKey(s), s); err != nil {
			return err
		}
	}
	return nil
}

func sampleKey(s projection.Sample) string {
	body, err := json.Marshal(s)
	if err != nil {
		return s.Time.String()
	}
	return "file " + string(body)
}

// enter writes down what a person entered and wakes the batch's watch.
func (d *daemon) enter(ctx context.Context, batch string, kind journal.EntryKind, at time.Time, key string, body any) error {
	b, err := d.journal.Batch(ctx, batch)
	if err != nil {
		return err
	}
	now := d.clock.Now()
	if at.IsZero() {
		at = now
	}
	packaged := b.Ended
	if packaged == nil && kind != journal.NoteEntry {
		if packaged, err = d.packagedAt(ctx, batch, key); err != nil {
			return err
		}
	}
	switch {
	case packaged != nil && kind != journal.NoteEntry:
		return &page.Refused{Text: fmt.Sprintf("Batch %s was packaged %s, which ends it. Only notes can be added. If it was not, strike the packaging out first.", b.Name, stamp(packaged.In(d.keeper.settings().Location)))}
	case at.After(now.Add(farFuture)):
		return &page.Refused{Field: "time", Text: fmt.Sprintf("%s lies in the future; now it is %s", stamp(at), stamp(now))}
	case at.Before(b.Started) && kind != journal.NoteEntry:
		return &page.Refused{Field: "time", Text: fmt.Sprintf("%s is before pitch at %s: enter when it happened", stamp(at), stamp(b.Started))}
	}
	raw, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("writing the entry: %w", err)
	}
	if _, err := d.journal.AddEntry(ctx, journal.Entry{Batch: batch, Kind: kind, Time: at, Entered: now, Body: raw, Key: key}); err != nil {
		return fmt.Errorf("keeping the entry: %w", err)
	}
	d.keeper.entered(batch)
	return nil
}

// packagedAt is when a batch was packaged by another entry than that of this key,
// also while its watch has yet to read of it; nil: it was not.
func (d *daemon) packagedAt(ctx context.Context, batch, key string) (*time.Time, error) {
	all, err := d.journal.SoundEntries(ctx, batch)
	if err != nil {
		return nil, err
	}
	gone := struckIn(all)
	for _, e := range all {
		if e.Kind == journal.Packaged && !gone[e.Seq] && (key == "" || e.Key != key) {
			return &e.Time, nil
		}
	}
	return nil, nil
}

func stamp(t time.Time) string { return t.Format("Mon 2 Jan 15:04 MST") }

// AddSample enters a measurement taken by hand.
func (d *daemon) AddSample(ctx context.Context, batch string, s page.Sample) error {
	if err := s.Check(); err != nil {
		return err
	}
	return d.enter(ctx, batch, journal.SampleEntry, s.Time, s.Key, s.Measured())
}

// CrashStarted moves a batch to cooling.
func (d *daemon) CrashStarted(ctx context.Context, batch string, at time.Time, key string) error {
	return d.enter(ctx, batch, journal.CrashStarted, at, key, struct{}{})
}

// Packaged ends a batch: into a keg or into bottles.
func (d *daemon) Packaged(ctx context.Context, batch string, p page.Package) error {
	key, err := d.packagingKey(ctx, batch, p.Key)
	if err != nil {
		return err
	}
	return d.enter(ctx, batch, journal.Packaged, p.Time, key, map[string]string{"into": p.Into})
}

// Note adds a remark to the record.
func (d *daemon) Note(ctx context.Context, batch string, n page.Note) error {
	return d.enter(ctx, batch, journal.NoteEntry, n.Time, n.Key, map[string]string{"text": n.Text})
}

// Acknowledge stops the repeats of an alert.
func (d *daemon) Acknowledge(ctx context.Context, alertID string) error {
	if _, err := d.journal.Acknowledge(ctx, alertID, d.clock.Now()); err != nil {
		return err
	}
	d.ladder.Load().Wake()
	return nil
}

// Snooze holds the repeats of an alert back until then.
func (d *daemon) Snooze(ctx context.Context, alertID string, until time.Time) error {
	if err := d.journal.Snooze(ctx, alertID, until); err != nil {
		return err
	}
	d.ladder.Load().Wake()
	return nil
}
