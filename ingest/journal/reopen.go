package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// runOn is no snapshot, so that the watch of a batch whose packaging is struck out
// runs again from the pitch, past that entry.
const runOn = "run again: its packaging was struck out"

// struckPackaging lets the batch run again if e, which is about to be kept, strikes
// out a packaging.
func (w *writer) struckPackaging(no int64, e Entry) error {
	of, is := strings.CutPrefix(e.Key, "strike ")
	seq, err := strconv.ParseInt(of, 10, 64)
	if !is || err != nil {
		return nil
	}
	var entered int64
	err = w.one("SELECT entered FROM entry AS e WHERE seq = ? AND batch = ? AND kind = ? AND "+holds("entry", "e"), []any{seq, no, string(Packaged)}, &entered)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	return w.reopen(no, seq, entered, e.Entered)
}

// reopen takes back what the packaging of this place has done: the batch has its end no
// more and its sensors again, and its watch is to run again. What was closed by it
// is open as it was, and what waited to be told of it waits again; what was raised by
// it is over. If the watch then finds something else, it says so as after an update.
func (w *writer) reopen(no, seq, entered int64, at time.Time) error {
	var ended, read bool // a watch may have read of it and not have ended the batch yet
	err := w.one(`SELECT ended IS NOT NULL, EXISTS (SELECT 1 FROM watch WHERE watch.batch = batch.no AND snapshot_seq >= ?2) FROM batch WHERE no = ?1`,
		[]any{no, seq}, &ended, &read)
	if err != nil {
		return err
	}
	if ended {
		if err := w.reclaim(no); err != nil {
			return err
		}
	}
	if ended || read {
		if err := w.reopenAlerts(no, entered, at); err != nil {
			return err
		}
	}
	_, err = w.exec("UPDATE watch SET snapshot = CAST(? AS BLOB), last_n = ifnull((SELECT max(n) FROM event WHERE batch = watch.batch), 0) WHERE batch = ?", runOn, no)
	return err
}

// reclaim gives a batch that is over its sensors again.
func (w *writer) reclaim(no int64) error {
	var taken ErrSensorClaimed
	err := w.one(`SELECT c.sensor, b.id FROM batch_sensor AS c JOIN batch AS b ON b.no = c.batch
		WHERE c.running = 1 AND c.batch <> ?1 AND c.sensor IN (SELECT sensor FROM batch_sensor WHERE batch = ?1)`, []any{no}, &taken.Sensor, &taken.Batch)
	if err == nil {
		return taken
	} else if !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	for _, text := range []string{"UPDATE batch SET ended = NULL WHERE no = ?", "UPDATE batch_sensor SET running = 1 WHERE batch = ?"} {
		if _, err := w.exec(text, no); err != nil {
			return fmt.Errorf("let it run again: %w", err)
		}
	}
	return nil
}

// reopenAlerts swaps what is open of a batch that is over, which its packaging has
// raised, with what was closed since that was entered. Only the alerts of its watch
// are meant, whose names end in a number.
func (w *writer) reopenAlerts(no, entered int64, at time.Time) error {
	type swapped struct {
		id   string
		open bool
	}
	all, err := query(w.ctx, w.conn, `SELECT a.id, a.resolved IS NULL FROM alert AS a JOIN batch AS b ON b.no = ?1 AND a.batch = b.id
		WHERE (a.resolved IS NULL OR a.resolved >= ?2) AND substr(a.id, length(a.batch) + length(a.kind) + 3) GLOB '[0-9]*'`, []any{no, entered},
		func(row scanner) (s swapped, err error) { return s, row.Scan(&s.id, &s.open) })
	if err != nil {
		return err
	}
	for _, s := range all {
		if s.open {
			if _, err := w.mark(s.id, "resolved", at); err != nil {
				return err
			}
			continue
		}
		if err := w.reopenAlert(s.id, entered, at); err != nil {
			return err
		}
	}
	return nil
}

// reopenAlert takes back that an alert was resolved. What was dropped since then is to
// be told at once: it was due before it was dropped, perhaps by a clock that ran ahead.
func (w *writer) reopenAlert(id string, since int64, at time.Time) error {
	if _, err := w.exec("UPDATE alert SET resolved = NULL WHERE id = ?", id); err != nil {
		return err
	}
	_, err := w.exec("UPDATE delivery SET done = NULL, started = NULL, outcome = '', error = '', due = ?1 WHERE alert = ?2 AND outcome = 'dropped' AND done >= ?3",
		micros(at), id, since)
	return err
}

// Reopen takes back that an alert was resolved: it holds as it did, and is told on. One
// that is not resolved stays as it is. ErrNotFound if there is no such alert.
func (j *Journal) Reopen(ctx context.Context, id string, at time.Time) error {
	err := j.change(ctx, func(w *writer) error {
		var since sql.NullInt64
		err := w.one("SELECT resolved FROM alert WHERE id = ?", []any{id}, &since)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("alert %q: %w", id, ErrNotFound)
		case err != nil || !since.Valid:
			return err
		}
		return w.reopenAlert(id, since.Int64, at)
	})
	if err != nil {
		return fmt.Errorf("reopen: %w", err)
	}
	return nil
}
