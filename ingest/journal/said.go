package journal

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Say stores in one transaction what a watch said after reading its inputs up
// to upToSeq: events, alerts raised, IDs of alerts resolved (at), first
// deliveries, its snapshot (nil: the last one stays), and settings that go with it.
//
// Saying the same again changes nothing: of an event (batch, N), an alert (ID)
// or a delivery (alert, channel, N) the first is kept, a resolved alert keeps
// its time, and neither the place nor the snapshot goes back. So a watch that
// was killed goes on from its last snapshot and says again what it said.
// ErrNotFound if the batch or a resolved or delivered alert is unknown.
func (j *Journal) Say(ctx context.Context, batch string, upToSeq int64, snapshot []byte, events []Event, alerts []Alert, resolved []string, at time.Time, deliveries []Delivery, settings ...Setting) error {
	err := j.change(ctx, func(w *writer) error {
		no, err := w.batchNo(batch)
		if err != nil {
			return err
		}
		if err := w.addEvents(no, events); err != nil {
			return err
		}
		for _, a := range alerts {
			if err := w.addAlert(a); err != nil {
				return err
			}
		}
		for _, id := range resolved {
			if _, err := w.mark(id, "resolved", at); err != nil {
				return err
			}
		}
		if err := w.queue(deliveries); err != nil {
			return err
		}
		for _, s := range settings {
			if err := w.set(s); err != nil {
				return err
			}
		}
		return w.advance(no, upToSeq, snapshot)
	})
	if err != nil {
		return fmt.Errorf("store what the watch of batch %s said: %w", batch, err)
	}
	for _, s := range settings {
		j.held.Delete(s.Key)
	}
	return nil
}

func (w *writer) addEvents(batch int64, events []Event) error {
	for _, e := range events {
		if e.N < 1 || e.Type == "" || !datable(e.Time) {
			return fmt.Errorf("event %w: number %d, type %q, time %v", ErrInvalid, e.N, e.Type, e.Time)
		}
		added, err := w.changed("INSERT INTO event (batch, n, type, time, body) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
			batch, e.N, e.Type, micros(e.Time), notNil(e.Body))
		if err != nil {
			return err
		}
		if added == 0 {
			if err := w.compareEvent(batch, e); err != nil {
				return err
			}
		}
	}
	return nil
}

// compareEvent counts a watch that, run again, said something else than
// before: the first is kept, but the watch is not as repeatable as it must be.
func (w *writer) compareEvent(batch int64, e Event) error {
	var same bool
	err := w.one("SELECT type = ? AND time = ? AND body = ? FROM event WHERE batch = ? AND n = ?",
		[]any{e.Type, micros(e.Time), notNil(e.Body), batch, e.N}, &same)
	if err == nil && !same {
		w.state.diverged()
	}
	return err
}

// lastSaid is the number of the last event of the batch b.
const lastSaid = "ifnull((SELECT max(n) FROM event WHERE batch = b.no), 0)"

// advance keeps the watch's snapshot with its place; an older one is ignored.
// Without a snapshot the row is left alone: to change it writes four pages.
func (w *writer) advance(batch, seq int64, snapshot []byte) error {
	if _, err := w.exec("INSERT INTO watch (batch, seq, snapshot_seq, last_n) VALUES (?, 0, 0, 0) ON CONFLICT DO NOTHING", batch); err != nil || snapshot == nil {
		return err
	}
	_, err := w.exec(`UPDATE watch AS w SET snapshot = ?1, snapshot_seq = ?2, seq = ?2, last_n = (SELECT `+lastSaid+` FROM batch AS b WHERE b.no = w.batch)
		WHERE batch = ?3 AND (snapshot_seq <= ?2 OR NOT (`+holds("watch", "w")+`))`, snapshot, seq, batch)
	return err
}

// WatchState is the last snapshot of the batch's watch (nil: none) with the Seq up
// to which that had read, and the highest event number said. All zero for a batch
// whose watch never said anything. If it is not what was written, the snapshot is
// none that can be taken up: the watch runs again from the pitch.
func (j *Journal) WatchState(ctx context.Context, batch string) (snapshot []byte, seq, lastN int64, err error) {
	_, _, err = first(ctx, j.read, "SELECT w.snapshot, w.snapshot_seq, "+lastSaid+", "+holds("watch", "w")+" FROM watch AS w JOIN batch AS b ON b.no = w.batch WHERE b.id = ?",
		[]any{batch}, func(row scanner) (struct{}, error) {
			return struct{}{}, wholeRow(row, func() string { return "the watch of batch " + batch }, &snapshot, &seq, &lastN)
		})
	var d *damage
	if errors.As(err, &d) && d.found != "" {
		j.found.add(d.found)
		return []byte(notWritten), 0, lastN, nil
	}
	if err != nil {
		return nil, 0, 0, fmt.Errorf("read the state of the watch of batch %s: %w", batch, err)
	}
	return snapshot, seq, lastN, nil
}

// notWritten takes the place of a snapshot that is not what was written.
const notWritten = "run again: the snapshot was changed on the disk"

func eventColumns() string {
	return "SELECT e.id, b.id, e.n, e.type, e.time, e.body, " + holds("event", "e") + " FROM event AS e JOIN batch AS b ON b.no = e.batch"
}

func eventsAfterText() string { return eventColumns() + " WHERE e.id > ? ORDER BY e.id LIMIT ?" }

func scanEvent(row scanner) (e SaidEvent, err error) {
	var at int64
	what := func() string { return fmt.Sprintf("event %d of batch %s", e.N, e.Batch) }
	if err = wholeRow(row, what, &e.Row, &e.Batch, &e.N, &e.Type, &at, (*[]byte)(&e.Body)); err != nil {
		return SaidEvent{}, err
	}
	e.Time = fromMicros(at)
	return e, nil
}

// Events lists what the batch's watch said, of the given types (none: all),
// with from ≤ time < to (zero: no bound), in the order said or, newestFirst,
// against it; at most limit (not positive: all). Those that are not what was
// written are left out.
func (j *Journal) Events(ctx context.Context, batch string, types []string, from, to time.Time, limit int, newestFirst bool) ([]Event, error) {
	return j.events(ctx, &j.found, batch, types, from, to, limit, newestFirst)
}

func (j *Journal) events(ctx context.Context, out *findings, batch string, types []string, from, to time.Time, limit int, newestFirst bool) ([]Event, error) {
	args := []any{batch, micros(from), until(to)}
	for _, t := range types {
		args = append(args, t)
	}
	all, err := sift(ctx, out, j.read, eventsText(len(types), newestFirst), append(args, atMost(limit)), func(row scanner) (Event, error) {
		e, err := scanEvent(row)
		return e.Event, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the events of batch %s: %w", batch, err)
	}
	return all, nil
}

// eventsText orders by time for one type, else by number. Times never go back
// within a batch, so both orders are one, and each has its index; sorting would
// carry the bodies along.
func eventsText(types int, newestFirst bool) string {
	text, order, way := eventColumns()+" WHERE b.id = ? AND e.time >= ? AND e.time < ?", "e.n", ""
	if newestFirst {
		way = " DESC"
	}
	if types > 0 {
		text += " AND e.type IN (" + marks(types) + ")"
	}
	if types == 1 {
		order = "e.time" + way + ", e.n"
	}
	return text + " ORDER BY " + order + way + " LIMIT ?"
}

// LatestEvent gives the last event of one type, or of any without types; false if
// there is none, ErrChanged if it is not what was written.
func (j *Journal) LatestEvent(ctx context.Context, batch string, types ...string) (Event, bool, error) {
	all, err := j.events(ctx, nil, batch, types, time.Time{}, time.Time{}, 1, true)
	if err != nil || len(all) == 0 {
		return Event{}, false, err
	}
	return all[0], true, nil
}

// EventsAfter gives at most limit events of all batches whose Row is above
// row, in order of Row: the way to follow the journal.
func (j *Journal) EventsAfter(ctx context.Context, row int64, limit int) ([]SaidEvent, error) {
	all, err := sift(ctx, &j.found, j.read, eventsAfterText(), []any{row, atMost(limit)}, scanEvent)
	if err != nil {
		return nil, fmt.Errorf("read events after %d: %w", row, err)
	}
	return all, nil
}
