package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// AddEntry stores what a person entered and returns its place in the order of
// arrival. With a Key that the batch has already, it changes nothing and
// returns the place of the first. ErrNotFound if there is no such batch;
// ErrSensorClaimed if a SensorChanged asks for another batch's sensor. A StruckEntry
// whose Key is the StrikeKey of a Packaged lets the batch run again with its sensors, or
// is ErrSensorClaimed if another running batch has one.
func (j *Journal) AddEntry(ctx context.Context, e Entry) (int64, error) {
	if e.Kind == "" || !datable(e.Time) || !datable(e.Entered) {
		return 0, fmt.Errorf("entry for batch %s %w: kind %q, time %v, entered %v", e.Batch, ErrInvalid, e.Kind, e.Time, e.Entered)
	}
	var seq int64
	err := j.change(ctx, func(w *writer) (err error) {
		seq, err = w.addEntry(e)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("enter %s for batch %s: %w", e.Kind, e.Batch, err)
	}
	if of, is := strings.CutPrefix(e.Key, "strike "); is && e.Kind == StruckEntry {
		j.found.forget("entry " + of + " ")
	}
	return seq, nil
}

func (w *writer) addEntry(e Entry) (seq int64, err error) {
	no, err := w.batchNo(e.Batch)
	if err != nil {
		return 0, err
	}
	if e.Key != "" {
		err := w.one("SELECT seq FROM entry WHERE batch = ? AND key = ?", []any{no, e.Key}, &seq)
		if !errors.Is(err, sql.ErrNoRows) {
			return seq, err
		}
	}
	if e.Kind == SensorChanged {
		if err := w.changeSensors(e); err != nil {
			return 0, err
		}
	}
	if e.Kind == StruckEntry {
		if err := w.struckPackaging(no, e); err != nil {
			return 0, err
		}
	}
	w.seq++
	_, err = w.exec("INSERT INTO entry (seq, batch, kind, time, entered, body, key) VALUES (?, ?, ?, ?, ?, ?, ?)",
		w.seq, no, string(e.Kind), micros(e.Time), micros(e.Entered), notNil(e.Body), sql.NullString{String: e.Key, Valid: e.Key != ""})
	return w.seq, err
}

func (w *writer) changeSensors(e Entry) error {
	var body struct {
		Sensors []string `json:"sensors"`
	}
	if err := json.Unmarshal(e.Body, &body); err != nil {
		return fmt.Errorf("%w: the body must be {\"sensors\": [names]}: %w", ErrInvalid, err)
	}
	var running bool
	if err := w.one("SELECT ended IS NULL FROM batch WHERE id = ?", []any{e.Batch}, &running); err != nil {
		return err
	}
	return w.claim(e.Batch, body.Sensors, running)
}

// entryColumns leave out what was changed and is put right.
func entryColumns() string {
	return "SELECT e.seq, b.id, e.kind, e.time, e.entered, e.body, ifnull(e.key, ''), " + named("entry", "e") + ", " + holds("entry", "e") + " FROM entry AS e JOIN batch AS b ON b.no = e.batch" +
		" AND (" + holds("entry", "e") + " OR NOT " + putRight("e") + ")"
}

func scanEntry(row scanner) (e Entry, err error) {
	var at, entered int64
	var name string
	err = wholeRow(row, func() string { return name }, &e.Seq, &e.Batch, &e.Kind, &at, &entered, (*[]byte)(&e.Body), &e.Key, &name)
	var d *damage
	if errors.As(err, &d) {
		d.strike = Strikable(d.found)
	}
	if err != nil {
		return Entry{}, err
	}
	e.Time, e.Entered = fromMicros(at), fromMicros(entered)
	return e, nil
}

// SoundEntries is Entries without those that are not what was written: to look at,
// not to work from.
func (j *Journal) SoundEntries(ctx context.Context, batch string) ([]Entry, error) {
	all, err := sift(ctx, &j.found, j.read, entryColumns()+" WHERE b.id = ? ORDER BY e.seq", []any{batch}, scanEntry)
	if err != nil {
		return nil, fmt.Errorf("read the entries of batch %s: %w", batch, err)
	}
	return all, nil
}

// ChangedEntries lists the entries of a batch that are not what was written and not
// yet struck out: without what was entered, and neither kind nor times are sure.
func (j *Journal) ChangedEntries(ctx context.Context, batch string) ([]Entry, error) {
	all, err := query(ctx, j.read, `SELECT e.seq, e.kind, e.time FROM entry AS e JOIN batch AS b ON b.no = e.batch
		WHERE b.id = ? AND NOT (`+holds("entry", "e")+`) AND NOT `+putRight("e")+` ORDER BY e.seq`, []any{batch}, func(row scanner) (Entry, error) {
		e, at := Entry{Batch: batch}, int64(0)
		err := row.Scan(&e.Seq, &e.Kind, &at)
		e.Time = fromMicros(at)
		e.Entered = e.Time
		return e, err
	})
	if err != nil {
		return nil, fmt.Errorf("look for changed entries of batch %s: %w", batch, err)
	}
	return all, nil
}

// Entries lists what was entered for a batch, in order of entering. ErrChanged if
// one of them is not what was written.
func (j *Journal) Entries(ctx context.Context, batch string) ([]Entry, error) {
	all, err := query(ctx, j.read, entryColumns()+" WHERE b.id = ? ORDER BY e.seq", []any{batch}, scanEntry)
	if err != nil {
		return nil, fmt.Errorf("read the entries of batch %s: %w", batch, j.noted(err))
	}
	return all, nil
}
