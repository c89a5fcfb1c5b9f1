package journal

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Queue stores deliveries to be made. One that is there already (alert,
// channel, N) is left as it is. ErrNotFound if an alert is unknown; then none
// is stored.
func (j *Journal) Queue(ctx context.Context, deliveries []Delivery) error {
	err := j.change(ctx, func(w *writer) error { return w.queue(deliveries) })
	if err != nil {
		return fmt.Errorf("queue deliveries: %w", err)
	}
	return nil
}

func (w *writer) queue(deliveries []Delivery) error {
	for _, d := range deliveries {
		if d.Channel == "" || d.N < 1 || !datable(d.Due) {
			return fmt.Errorf("delivery of %s %w: channel %q, telling %d, due %v", d.Alert, ErrInvalid, d.Channel, d.N, d.Due)
		}
		if err := w.alertExists(d.Alert); err != nil {
			return err
		}
		if _, err := w.exec("INSERT INTO delivery (alert, channel, n, due) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
			d.Alert, d.Channel, d.N, micros(d.Due)); err != nil {
			return err
		}
	}
	return nil
}

// MarkStarted notes, before sending, that an attempt begins; it counts.
func (j *Journal) MarkStarted(ctx context.Context, id int64, at time.Time) error {
	return j.updateDelivery(ctx, id, "started = ?, attempts = attempts + 1", micros(at))
}

// MarkDone notes that the delivery is over: outcome "accepted", "refused" or
// "dropped". The first outcome stays.
func (j *Journal) MarkDone(ctx context.Context, id int64, at time.Time, outcome, errText string) error {
	if outcome == "" {
		return fmt.Errorf("delivery %d %w: it needs an outcome", id, ErrInvalid)
	}
	return j.updateDelivery(ctx, id, "done = ?, outcome = ?, error = ?", micros(at), outcome, errText)
}

// Postpone notes that the attempt failed for now and when to try again.
func (j *Journal) Postpone(ctx context.Context, id int64, due time.Time, errText string) error {
	return j.updateDelivery(ctx, id, "started = NULL, due = ?, error = ?", micros(due), errText)
}

// updateDelivery changes one that is not done; done ones are left as they are.
func (j *Journal) updateDelivery(ctx context.Context, id int64, set string, args ...any) error {
	err := j.change(ctx, func(w *writer) error {
		n, err := w.changed("UPDATE delivery SET "+set+" WHERE id = ? AND done IS NULL", append(args, id)...)
		if err != nil || n > 0 {
			return err
		}
		var found bool
		if err := w.one("SELECT EXISTS (SELECT 1 FROM delivery WHERE id = ?)", []any{id}, &found); err != nil || found {
			return err
		}
		return ErrNotFound
	})
	if err != nil {
		return fmt.Errorf("delivery %d: %w", id, err)
	}
	return nil
}

const (
	deliveryColumns = "SELECT id, alert, channel, n, due, attempts, started, done, outcome, error FROM delivery"
	dueText         = deliveryColumns + " WHERE done IS NULL AND due <= ? ORDER BY due, id LIMIT ?"
	nextDueText     = "SELECT due FROM delivery WHERE done IS NULL ORDER BY due LIMIT 1"
)

func scanDelivery(row scanner) (d Delivery, err error) {
	var due int64
	var started, done sql.NullInt64
	err = row.Scan(&d.ID, &d.Alert, &d.Channel, &d.N, &due, &d.Attempts, &started, &done, &d.Outcome, &d.Error)
	d.Due, d.Started, d.Done = fromMicros(due), fromNullMicros(started), fromNullMicros(done)
	return d, err
}

// Due lists deliveries that are not done and due at now or before, the longest
// due first; at most limit (not positive: all).
func (j *Journal) Due(ctx context.Context, now time.Time, limit int) ([]Delivery, error) {
	all, err := query(ctx, j.read, dueText,
		[]any{micros(now), atMost(limit)}, scanDelivery)
	if err != nil {
		return nil, fmt.Errorf("list the deliveries due: %w", err)
	}
	return all, nil
}

// NextDue tells when the next delivery that is not done falls due; false if
// none waits.
func (j *Journal) NextDue(ctx context.Context) (time.Time, bool, error) {
	at, ok, err := first(ctx, j.read, nextDueText, nil,
		func(row scanner) (at int64, err error) { return at, row.Scan(&at) })
	if err != nil || !ok {
		return time.Time{}, false, err
	}
	return fromMicros(at), true, nil
}

// Deliveries lists all deliveries of an alert, in order of queueing.
func (j *Journal) Deliveries(ctx context.Context, alert string) ([]Delivery, error) {
	all, err := query(ctx, j.read, deliveryColumns+" WHERE alert = ? ORDER BY id", []any{alert}, scanDelivery)
	if err != nil {
		return nil, fmt.Errorf("list the deliveries of alert %s: %w", alert, err)
	}
	return all, nil
}
