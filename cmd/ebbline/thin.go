package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

const (
	// thinEvery is how often is looked for readings that have become old.
	thinEvery = time.Hour
	// thinPause is left after each step of thinning, in times of what it took, so
	// that readings have the disk for most of the time.
	thinPause = 10
)

// thinOldReadings takes out what the configuration does not want kept, until
// ctx ends.
func (d *daemon) thinOldReadings(ctx context.Context) {
	tick := time.NewTicker(thinEvery)
	defer tick.Stop()
	said := false
	for {
		removed, err := d.thinOnce(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			d.log.Warn("old readings are not thinned; it is tried again in an hour", "error", err)
		case removed > 0 && !said:
			said = true
			d.log.Info("old readings are thinned from now on, as keep.thin_after_days says: each quarter of an hour keeps its first, last, lowest and highest",
				"older_than_days", int(d.conf().Keep.ThinAfter.Hours()/24), "removed", removed)
		}
		if err := d.lookAtSpace(ctx); err != nil && ctx.Err() == nil {
			d.log.Warn("how long the disk will do is not known", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// thinOnce does all there is to do, in small steps.
func (d *daemon) thinOnce(ctx context.Context) (removed int64, err error) {
	for ctx.Err() == nil {
		how, wanted, err := d.thinning(ctx)
		if err != nil || !wanted {
			return removed, err
		}
		begun := time.Now()
		done, err := d.journal.Thin(ctx, how)
		removed += done.Removed
		if err != nil || !done.More {
			return removed, err
		}
		select {
		case <-ctx.Done():
		case <-time.After(thinPause * time.Since(begun)):
		}
	}
	return removed, nil
}

// lookAtSpace lets health say how fast the record grows, once it is three days old,
// and before that if hardly anything is free.
func (d *daemon) lookAtSpace(ctx context.Context) error {
	year, err := d.journal.YearBytes(ctx, d.clock.Now())
	if err != nil {
		return err
	}
	free, err := freeBytes(d.conf().Data)
	if err != nil {
		return fmt.Errorf("asking how much is free on the disk of %s: %w", d.conf().Data, err)
	}
	if year <= 0 && free >= nearlyFull {
		d.space.Store(nil)
		return nil
	}
	size := fmt.Sprintf("The record holds %s MB. ", thousands(max(1, d.journal.Stats().FileBytes/1e6)))
	words, ill := strings.CutPrefix(growthWords(year, free), "! ")
	d.space.Store(&page.HealthItem{Code: "space", OK: !ill, Text: size + words, Since: d.clock.Now()})
	return nil
}

// thinning says what may be thinned now; false if nothing is asked for.
func (d *daemon) thinning(ctx context.Context) (how journal.Thinning, wanted bool, err error) {
	age := d.conf().Keep.ThinAfter
	if age == 0 {
		return how, false, nil
	}
	how = journal.Thinning{Before: d.clock.Now().Add(-age), UpTo: math.MaxInt64}
	for _, f := range d.keeper.running() {
		if p := f.Batch.PitchedAt; p.Before(how.Before) {
			how.Before = p
		}
	}
	if d.mirror != nil {
		how.UpTo, err = d.mirror.Copied(ctx)
	}
	return how, true, err
}

// thinnedLine says in an export that its readings are not all there were.
type thinnedLine struct {
	Before time.Time `json:"before"`
}

// tellThinned writes as the first line of a capture that it was thinned.
func (x *exporter) tellThinned(w io.Writer) error {
	for _, sensor := range x.file.Batch.Sensors {
		until, err := x.journal.ThinnedUntil(x.ctx, sensor, x.file.Batch.PitchedAt, x.end)
		if err != nil {
			return err
		}
		x.thinned = latest(x.thinned, until)
	}
	if x.thinned.IsZero() {
		return nil
	}
	return x.line(w, x.clock, thinnedTopic, thinnedLine{x.thinned.UTC()})
}

// thinnedNote follows what is said of an exported batch.
func thinnedNote(before time.Time) string {
	if before.IsZero() {
		return ""
	}
	return fmt.Sprintf("; its readings before %s were thinned, so a replay may differ a little from events.jsonl", before.Format(time.DateOnly))
}

// thinned tells whoever replays that not all readings are there.
func (r *replayer) thinned(payload json.RawMessage) error {
	var l thinnedLine
	if err := json.Unmarshal(payload, &l); err != nil {
		return fmt.Errorf("reading until when readings were thinned: %w", err)
	}
	if r.aside == nil {
		return nil
	}
	_, err := fmt.Fprintf(r.aside, "ebbline: readings before %s were thinned: what follows may differ a little from what was said then\n", l.Before.Format(time.DateOnly))
	return err
}
