package journal

import (
	"context"
	"fmt"
)

// Cursor tells how far a follower has come; 0 for a new one, and if what was
// written is changed: following again does no harm.
func (j *Journal) Cursor(ctx context.Context, name string) (int64, error) {
	v, err := sift(ctx, &j.found, j.read, "SELECT value, "+holds("cursor", "c")+" FROM cursor AS c WHERE name = ?", []any{name},
		func(row scanner) (v int64, err error) {
			return v, wholeRow(row, func() string { return "how far " + name + " has read" }, &v)
		})
	if err != nil {
		return 0, fmt.Errorf("read cursor %s: %w", name, err)
	}
	if len(v) == 0 {
		return 0, nil
	}
	return v[0], nil
}

// SetCursor notes how far a follower has come; it may go back, to follow again.
// Changes does not tell of it: a follower must not wake itself.
func (j *Journal) SetCursor(ctx context.Context, name string, v int64) error {
	err := j.submit(ctx, &op{quiet: true, do: func(w *writer) error {
		_, err := w.exec("INSERT INTO cursor (name, value) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET value = ?2", name, v)
		return err
	}})
	if err != nil {
		return fmt.Errorf("set cursor %s: %w", name, err)
	}
	return nil
}

// Setting is a small one of the daemon's own.
type Setting struct{ Key, Value string }

// Hold lets Get give a value that is not written down: for what changes so often
// that a memory card would wear, and is said again after a start. It ends when the
// setting is written. One caller holds and writes a key.
func (j *Journal) Hold(s Setting) { j.held.Store(s.Key, s.Value) }

// Get gives a small setting of the daemon's own; false if it was never set,
// ErrChanged if it is not what was written.
func (j *Journal) Get(ctx context.Context, key string) (string, bool, error) {
	if v, ok := j.held.Load(key); ok {
		return v.(string), true, nil
	}
	v, ok, err := first(ctx, j.read, settingText(), []any{key}, func(row scanner) (string, error) { return scanSetting(row, key) })
	if err != nil {
		return "", false, fmt.Errorf("read setting %s: %w", key, j.noted(err))
	}
	return v, ok, nil
}

func settingText() string {
	return "SELECT value, " + holds("setting", "s") + " FROM setting AS s WHERE key = ?"
}

func scanSetting(row scanner, key string) (v string, err error) {
	err = wholeRow(row, func() string { return "setting " + key }, &v)
	return v, err
}

// Set stores a small setting of the daemon's own.
func (j *Journal) Set(ctx context.Context, key, value string) error {
	if err := j.change(ctx, func(w *writer) error { return w.set(Setting{key, value}) }); err != nil {
		return fmt.Errorf("store setting %s: %w", key, err)
	}
	j.held.Delete(key)
	return nil
}

func (w *writer) set(s Setting) error {
	_, err := w.exec("INSERT INTO setting (key, value) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET value = ?2", s.Key, s.Value)
	return err
}

// GetOrSet gives the setting, or stores value and gives that if it was never
// set: of two that call it at once, both get the same.
func (j *Journal) GetOrSet(ctx context.Context, key, value string) (string, error) {
	var kept string
	err := j.change(ctx, func(w *writer) (err error) {
		if _, err := w.exec("INSERT INTO setting (key, value) VALUES (?, ?) ON CONFLICT DO NOTHING", key, value); err != nil {
			return err
		}
		kept, err = scanSetting(w.row(settingText(), key), key)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("read or store setting %s: %w", key, err)
	}
	return kept, nil
}
