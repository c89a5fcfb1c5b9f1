package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Ahead is what was recorded while the host's clock ran ahead of the time.
type Ahead struct {
	By                        time.Duration // how far it ran ahead
	Readings, Entries, Events int64
}

const (
	// aheadFrom is what counts as ahead: a device's own clock may be by as much.
	aheadFrom = 6 * time.Minute
	// outOfTheWay keeps times that are moved from meeting those that are not yet;
	// microseconds, 32,000 years.
	outOfTheWay = int64(1e18)
	// longestSnooze is what nobody snoozes an alert for.
	longestSnooze = 24 * time.Hour
	// runAgain is no snapshot, so that the watch runs again from the pitch.
	runAgain = "run again: the clock was put right"
)

// PutRight moves back what was recorded under a clock that ran ahead and has been
// put right since: readings and entries by as much as it ran ahead, as far as can
// be told from what came in after them, or from now. What the watches said of the
// future is taken out, what they raised then is over, and each watch is to run
// again from its pitch: they must be opened anew. Readings whose device has a clock
// of its own, which was right, stay as they are. It can take seconds.
func (j *Journal) PutRight(ctx context.Context, now time.Time) (Ahead, error) {
	var a Ahead
	err := j.submit(ctx, &op{settled: true, do: func(w *writer) (err error) {
		a, err = w.putRight(micros(now), micros(now.Add(aheadFrom)))
		return err
	}})
	if err != nil {
		return Ahead{}, fmt.Errorf("put right what was recorded under a wrong clock: %w", err)
	}
	return a, nil
}

func (w *writer) putRight(now, edge int64) (a Ahead, err error) {
	by, err := w.aheadBy(now, edge)
	if err != nil {
		return a, err
	}
	a.By = time.Duration(by) * time.Microsecond
	if a.Readings, err = w.moveReadings(edge, by); err != nil {
		return a, err
	}
	if a.Entries, err = w.changed("UPDATE entry SET entered = entered - ?1, time = CASE WHEN time > ?2 THEN time - ?1 ELSE time END WHERE entered > ?2", by, edge); err != nil {
		return a, err
	}
	if a.Events, err = w.changed("DELETE FROM event WHERE time > ?", edge); err != nil {
		return a, err
	}
	for _, s := range []struct {
		text string
		args []any
	}{
		{"UPDATE batch SET ended = ended - ?1 WHERE ended > ?2", []any{by, edge}},
		{"UPDATE alert SET resolved = ?1 WHERE raised > ?2 AND resolved IS NULL", []any{now, edge}},
		{"UPDATE alert SET snoozed_until = NULL WHERE resolved IS NULL AND snoozed_until > ?", []any{now + longestSnooze.Microseconds()}},
		{`UPDATE watch SET snapshot = CAST(? AS BLOB), last_n = ifnull((SELECT max(n) FROM event WHERE batch = watch.batch), 0)
			WHERE batch IN (SELECT no FROM batch WHERE ended IS NULL)`, []any{runAgain}},
	} {
		if _, err := w.exec(s.text, s.args...); err != nil {
			return a, err
		}
	}
	return a, nil
}

// aheadBy compares the last input that lies ahead with the next one that does not,
// or with now; microseconds, 0 if none lies ahead.
func (w *writer) aheadBy(now, edge int64) (int64, error) {
	var seq, at int64
	err := w.one(`SELECT seq, at FROM (
		SELECT r.seq, r.time AS at FROM series AS s CROSS JOIN reading AS r ON r.series = s.id AND r.time > ?1
		UNION ALL SELECT seq, entered FROM entry WHERE entered > ?1) ORDER BY 1 DESC LIMIT 1`, []any{edge}, &seq, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	var next int64
	err = w.one(`SELECT min(ifnull((SELECT min(time + lag) FROM reading WHERE seq > ?1), ?2), ifnull((SELECT min(entered) FROM entry WHERE seq > ?1), ?2))`,
		[]any{seq, now}, &next)
	return at - min(next, now), err
}

// moveReadings moves those that lie ahead; one that is there already is left out.
func (w *writer) moveReadings(edge, by int64) (moved int64, err error) {
	ids, err := query(w.ctx, w.conn, "SELECT id FROM series AS s WHERE EXISTS (SELECT 1 FROM reading WHERE series = s.id AND time > ?)", []any{edge},
		func(row scanner) (id int64, err error) { return id, row.Scan(&id) })
	if err != nil {
		return 0, err
	}
	for _, id := range ids {
		n, err := w.changed("UPDATE reading SET time = time + ?1 WHERE series = ?2 AND time > ?3", outOfTheWay, id, edge)
		if err != nil {
			return 0, err
		}
		if _, err := w.exec("UPDATE OR IGNORE reading SET time = time - ?1 - ?2 WHERE series = ?3 AND time > ?1", outOfTheWay, by, id); err != nil {
			return 0, err
		}
		twice, err := w.changed("DELETE FROM reading WHERE series = ?1 AND time > ?2", id, outOfTheWay)
		if err != nil {
			return 0, err
		}
		w.inserted -= twice
		w.settled -= twice
		moved += n - twice
		if err := w.unbin(id, hourIn(edge-by)); err != nil {
			return 0, err
		}
	}
	return moved, nil
}

// unbin takes the bins of a series out from an hour on; a later reading bins again.
func (w *writer) unbin(series, hour int64) error {
	for _, text := range []string{
		"DELETE FROM hour WHERE series = ?1 AND hour >= ?2",
		"UPDATE series SET binned = min(binned, ?2), thinned = min(thinned, ?2) WHERE id = ?1",
	} {
		if _, err := w.exec(text, series, hour); err != nil {
			return err
		}
	}
	clear(w.series)           // what is remembered of them is read again
	delete(w.reached, series) // or what was ahead would be binned as if it were there
	return nil
}
