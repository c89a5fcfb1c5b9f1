package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// A packaging that was a mistake: it is struck out, and its batch is watched on. The
// watch runs again from the pitch and goes past the entry, so that it believes and says
// what it would if there had been none.

// unpackTime bounds how long writing that down may take.
const unpackTime = time.Minute

// strikePackaging strikes a packaging out, unless other beer has had one of the batch's
// sensors since. Asked again it does what may have failed after that was written.
func (d *daemon) strikePackaging(ctx context.Context, batch string, seq int64) error {
	b, err := d.journal.Batch(ctx, batch)
	if err != nil {
		return err
	}
	file, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return fmt.Errorf("reading the description of batch %s: %w", batch, err)
	}
	if err := d.relearn(ctx, file, false); err != nil {
		return err
	}
	anew, err := d.keeper.unpack(ctx, batch, seq)
	var claimed journal.ErrSensorClaimed
	switch {
	case errors.As(err, &claimed):
		return taken(claimed.Sensor, claimed.Batch)
	case err != nil:
		return err
	case anew:
		d.log.Warn("a packaging was struck out: the batch is run again from pitch and watched on", "batch", batch, "entry", seq)
		d.ladder.Load().Wake()
		if err := d.relearn(ctx, file, true); err != nil {
			return err
		}
	}
	return d.refilter()
}

// relearn takes up the sensors of a file whose batch runs again, which a restart since
// has forgotten; with keep false it only refuses them if they do not fit beside the others.
// Those that the configuration, the page or another running batch defines or reads are
// read as they are.
func (d *daemon) relearn(ctx context.Context, file config.BatchFile, keep bool) error {
	running, err := d.othersSensors(ctx, file.Batch.ID)
	if err != nil {
		return err
	}
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	next := maps.Clone(d.sensors)
	for _, s := range file.Sensors {
		_, known := d.sensors[s.Name]
		named := func(o ingest.Sensor) bool { return o.Name == s.Name }
		switch {
		case known && d.sourceOf(s.Name) == page.FromConfig, known && running[s.Name]:
		case !known && slices.ContainsFunc(d.book.latest(), named):
		default:
			next[s.Name] = s
		}
	}
	if _, err := ingest.Compile(sensorList(next)); err != nil {
		return &page.Refused{Text: fmt.Sprintf("The sensors of batch %s cannot be used again: %v.", file.Batch.Name, err)}
	}
	if keep {
		d.sensors = next
	}
	return nil
}

// othersSensors are the names that running batches other than this one use, or that
// their files define.
func (d *daemon) othersSensors(ctx context.Context, batch string) (map[string]bool, error) {
	all, err := d.journal.Batches(ctx)
	if err != nil {
		return nil, err
	}
	names := map[string]bool{}
	for _, b := range all {
		if b.ID == batch || b.Ended != nil {
			continue
		}
		file, err := config.DecodeSpec(b.Spec)
		if err != nil {
			return nil, fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
		}
		for _, s := range file.Sensors {
			names[s.Name] = true
		}
		for _, s := range b.Sensors {
			names[s] = true
		}
	}
	return names, nil
}

// taken says why a packaging stands for good.
func taken(sensor, batch string) *page.Refused {
	return &page.Refused{Text: fmt.Sprintf("This packaging can no longer be struck out: sensor %q has been in batch %q since, and what it gave there is not of this beer. Add a note that says what is wrong; if the beer is still fermenting, begin a new batch with the same original gravity and pitch time.", sensor, batch)}
}

// unpack does it between two rounds, when no watch is about to end. It reports whether
// the batch is watched again by it: what is struck out already and watched stays as it is.
func (k *keeper) unpack(ctx context.Context, batch string, seq int64) (anew bool, err error) {
	if !k.betweenRounds(ctx, func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), unpackTime)
		defer cancel()
		if anew, err = k.strikePackaging(ctx, batch, seq); err == nil && anew {
			err = k.watchAgain(ctx, batch)
		}
	}) {
		return false, fmt.Errorf("waiting for the watches: %w", ctx.Err())
	}
	return anew, err
}

// strikePackaging writes it down. It reports whether the batch is to be watched again.
func (k *keeper) strikePackaging(ctx context.Context, batch string, seq int64) (anew bool, err error) {
	all, err := k.journal.SoundEntries(ctx, batch)
	if err != nil {
		return false, err
	}
	if struckIn(all)[seq] {
		return k.unwatchedAfter(ctx, batch)
	}
	i := slices.IndexFunc(all, func(e journal.Entry) bool { return e.Seq == seq && e.Kind == journal.Packaged })
	if i < 0 {
		return false, &page.Refused{Text: fmt.Sprintf("Entry %d was changed on the disk, so nobody knows what it said: restore a backup.", seq)}
	}
	if err := k.takenSince(ctx, batch, all[i]); err != nil {
		return false, err
	}
	body, err := json.Marshal(map[string]any{"seq": seq, "kind": journal.Packaged})
	if err != nil {
		return false, fmt.Errorf("writing the entry: %w", err)
	}
	now := k.clock.Now()
	_, err = k.journal.AddEntry(ctx, journal.Entry{Batch: batch, Kind: journal.StruckEntry, Time: now, Entered: now, Body: body, Key: journal.StrikeKey(seq)})
	return err == nil, err
}

// unwatchedAfter reports whether a batch that runs has no turns: its packaging was
// struck out, and what was to follow failed.
func (k *keeper) unwatchedAfter(ctx context.Context, batch string) (bool, error) {
	b, err := k.journal.Batch(ctx, batch)
	if err != nil || b.Ended != nil {
		return false, err
	}
	r, _ := k.about(batch)
	return r == nil, nil
}

// watchAgain gives a batch turns again. Its watch is taken up at the first.
func (k *keeper) watchAgain(ctx context.Context, batch string) error {
	b, err := k.journal.Batch(ctx, batch)
	if err != nil {
		return err
	}
	r, err := k.described(b)
	if err != nil {
		return err
	}
	k.ended(batch) // what was kept of it is of a packaged one
	r.early, r.person = true, true
	k.enlist(batch, r)
	k.unknown(batch)
	k.news(batch)
	return nil
}

// takenSince refuses if another batch has had a sensor of this one since that was
// packaged: what it gave then is of other beer. One that runs still is found again by
// the journal, as it keeps the entry.
func (k *keeper) takenSince(ctx context.Context, batch string, packed journal.Entry) error {
	batches, err := k.journal.Batches(ctx)
	if err != nil {
		return err
	}
	own := slices.IndexFunc(batches, func(b journal.Batch) bool { return b.ID == batch })
	if own < 0 {
		return fmt.Errorf("batch %s: %w", batch, journal.ErrNotFound)
	}
	for _, b := range batches {
		if b.ID == batch || b.Ended != nil && b.Ended.Before(batches[own].Started) {
			continue
		}
		had, err := k.hadSince(ctx, b, packed.Seq)
		if err != nil {
			return err
		}
		for _, s := range batches[own].Sensors {
			if slices.Contains(had, s) {
				return taken(s, b.ID)
			}
		}
	}
	return nil
}

// hadSince are the sensors that a batch has had since an entry of another one: those it
// had then, as many as its own entries had named by then, and those named later. None
// if it was over.
func (k *keeper) hadSince(ctx context.Context, b journal.Batch, seq int64) ([]string, error) {
	file, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return nil, fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
	}
	all, err := k.journal.SoundEntries(ctx, b.ID)
	if err != nil {
		return nil, err
	}
	had, gone := slices.Clone(file.Batch.Sensors), struckIn(all)
	for _, e := range all {
		switch {
		case e.Kind == journal.Packaged && !gone[e.Seq] && e.Seq < seq:
			return nil, nil
		case e.Kind == journal.SensorChanged:
			var body struct {
				Sensors []string `json:"sensors"`
			}
			if err := json.Unmarshal(e.Body, &body); err != nil {
				return nil, fmt.Errorf("decoding sensors %d: %w", e.Seq, err)
			}
			if e.Seq < seq {
				had = nil
			}
			had = append(had, body.Sensors...)
		}
	}
	return had, nil
}

// struckIn are the entries that later ones mark as wrong.
func struckIn(all []journal.Entry) map[int64]bool {
	gone := map[int64]bool{}
	for _, e := range all {
		var body struct {
			Seq int64 `json:"seq"`
		}
		if e.Kind == journal.StruckEntry && json.Unmarshal(e.Body, &body) == nil {
			gone[body.Seq] = true
		}
	}
	return gone
}

// packagingKey is the key under which a packaging is entered that came with this one:
// as by a form sent again, it is another one once the first is struck out.
func (d *daemon) packagingKey(ctx context.Context, batch, key string) (string, error) {
	if key == "" {
		return "", nil
	}
	all, err := d.journal.SoundEntries(ctx, batch)
	if err != nil {
		return "", err
	}
	gone := struckIn(all)
	for _, e := range all { // in order, so that the second is struck out after the first
		if e.Kind == journal.Packaged && e.Key == key && gone[e.Seq] {
			key = fmt.Sprintf("%s after %d", key, e.Seq)
		}
	}
	return key, nil
}

// undo marks the packagings among inputs that are struck out.
func undo(ctx context.Context, j *journal.Journal, batch string, inputs []input) error {
	packs := func(in input) bool { return in.entry != nil && in.entry.Kind == journal.Packaged }
	if !slices.ContainsFunc(inputs, packs) {
		return nil
	}
	all, err := j.SoundEntries(ctx, batch)
	if err != nil {
		return err
	}
	gone := struckIn(all)
	for i, in := range inputs {
		inputs[i].undone = packs(in) && gone[in.seq]
	}
	return nil
}
