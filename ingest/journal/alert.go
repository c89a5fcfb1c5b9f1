package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

func (w *writer) addAlert(a Alert) error {
	if a.ID == "" || !datable(a.Raised) || !datable(a.Recorded) {
		return fmt.Errorf("alert %q %w: raised %v, recorded %v", a.ID, ErrInvalid, a.Raised, a.Recorded)
	}
	_, err := w.exec(`INSERT INTO alert (id, batch, kind, severity, title, message, body, raised, recorded, acknowledged, snoozed_until, resolved, token)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
		a.ID, a.Batch, a.Kind, a.Severity, a.Title, a.Message, notNil(a.Body), micros(a.Raised), micros(a.Recorded),
		nullMicros(a.Acknowledged), nullMicros(a.SnoozedUntil), nullMicros(a.Resolved), sql.NullString{String: a.Token, Valid: a.Token != ""})
	return err
}

// mark sets a time of an alert if it is not set yet; false if it was.
func (w *writer) mark(id, column string, at time.Time) (bool, error) {
	n, err := w.changed("UPDATE alert SET "+column+" = ? WHERE id = ? AND "+column+" IS NULL", micros(at), id)
	if err != nil || n > 0 {
		return n > 0, err
	}
	return false, w.alertExists(id)
}

func (w *writer) alertExists(id string) error {
	var found bool
	if err := w.one("SELECT EXISTS (SELECT 1 FROM alert WHERE id = ?)", []any{id}, &found); err != nil {
		return err
	}
	if !found {
		return fmt.Errorf("alert %q: %w", id, ErrNotFound)
	}
	return nil
}

// Acknowledge notes that someone has seen the alert; false if someone had
// before. ErrNotFound if there is no such alert.
func (j *Journal) Acknowledge(ctx context.Context, id string, at time.Time) (bool, error) {
	changed := false
	err := j.change(ctx, func(w *writer) (err error) {
		changed, err = w.mark(id, "acknowledged", at)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("acknowledge: %w", err)
	}
	return changed, nil
}

// Resolve notes that the alert no longer holds; the first time given stays.
func (j *Journal) Resolve(ctx context.Context, id string, at time.Time) error {
	err := j.change(ctx, func(w *writer) error {
		_, err := w.mark(id, "resolved", at)
		return err
	})
	if err != nil {
		return fmt.Errorf("resolve: %w", err)
	}
	return nil
}

// Snooze notes until when the alert is to be quiet; the last time given stays.
func (j *Journal) Snooze(ctx context.Context, id string, until time.Time) error {
	err := j.change(ctx, func(w *writer) error {
		if err := w.alertExists(id); err != nil {
			return err
		}
		_, err := w.exec("UPDATE alert SET snoozed_until = ? WHERE id = ?", micros(until), id)
		return err
	})
	if err != nil {
		return fmt.Errorf("snooze: %w", err)
	}
	return nil
}

func alertColumns() string {
	return "SELECT id, batch, kind, severity, title, message, body, raised, recorded, acknowledged, snoozed_until, resolved, ifnull(token, ''), " + holds("alert", "a") + " FROM alert AS a"
}

func (j *Journal) scanAlert(row scanner) (a Alert, err error) {
	var raised, recorded int64
	var acknowledged, snoozed, resolved sql.NullInt64
	err = wholeRow(row, func() string { return "alert " + a.ID }, &a.ID, &a.Batch, &a.Kind, &a.Severity, &a.Title, &a.Message, (*[]byte)(&a.Body), &raised, &recorded, &acknowledged, &snoozed, &resolved, &a.Token)
	a.Raised, a.Recorded = fromMicros(raised), fromMicros(recorded)
	a.Acknowledged, a.SnoozedUntil, a.Resolved = fromNullMicros(acknowledged), fromNullMicros(snoozed), fromNullMicros(resolved)
	var d *damage
	if errors.As(err, &d) && d.found != "" {
		j.found.add(d.found)
		return a.unreadable(), nil
	}
	return a, err
}

// unreadable is an alert that is not what was written. It may have been urgent, so
// it is told; only what it said is not, nor what may have silenced it.
func (a Alert) unreadable() Alert {
	a.Severity, a.Title = "urgent", "An alert that cannot be read any more"
	a.Message = "What this alert said was changed on the disk. Look at the beer yourself, and at what ebbline's page says of the record."
	a.Body, a.SnoozedUntil = nil, nil
	if parts := strings.Split(a.ID, "/"); len(parts) == 3 {
		a.Batch, a.Kind = parts[0], parts[1]
	}
	for _, t := range []**time.Time{&a.Acknowledged, &a.Resolved} {
		if *t != nil && (*t).Before(a.Recorded) {
			*t = nil
		}
	}
	return a
}

// Alerts lists the alerts of a batch ("": of all), the latest raised first;
// openOnly leaves out those that are resolved. One that is not what was written is
// urgent and says so, here and wherever alerts are given.
func (j *Journal) Alerts(ctx context.Context, batch string, openOnly bool) ([]Alert, error) {
	text, args := alertColumns()+" WHERE 1", []any{}
	if batch != "" {
		text += " AND batch = ?"
		args = append(args, batch)
	}
	if openOnly {
		text += " AND resolved IS NULL"
	}
	all, err := query(ctx, j.read, text+" ORDER BY raised DESC, recorded DESC, id", args, j.scanAlert)
	if err != nil {
		return nil, fmt.Errorf("list the alerts: %w", err)
	}
	return all, nil
}

// Alert gives one alert; ErrNotFound if there is none of that ID.
func (j *Journal) Alert(ctx context.Context, id string) (Alert, error) {
	return j.alertBy(ctx, "id", id, fmt.Sprintf("alert %q", id))
}

// AlertByToken gives the alert that a link opens; ErrNotFound if none.
func (j *Journal) AlertByToken(ctx context.Context, token string) (Alert, error) {
	return j.alertBy(ctx, "token", token, "alert of that link")
}

func (j *Journal) alertBy(ctx context.Context, column, value, what string) (Alert, error) {
	a, ok, err := first(ctx, j.read, alertColumns()+" WHERE "+column+" = ?", []any{value}, j.scanAlert)
	if err == nil && !ok {
		err = ErrNotFound
	}
	if err != nil {
		return Alert{}, fmt.Errorf("%s: %w", what, err)
	}
	return a, nil
}
