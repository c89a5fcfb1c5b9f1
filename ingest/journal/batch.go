package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// CreateBatch stores a new batch and claims its sensors. It returns false, and
// changes nothing, if there is a batch of that ID already, whatever it says.
// ErrSensorClaimed if a running batch has one of the sensors.
func (j *Journal) CreateBatch(ctx context.Context, b Batch) (bool, error) {
	if b.ID == "" || !datable(b.Started) {
		return false, fmt.Errorf("batch %q %w: it needs an ID and a time of start (%v)", b.ID, ErrInvalid, b.Started)
	}
	created := false
	err := j.change(ctx, func(w *writer) error {
		no, err := w.changed(`INSERT INTO batch (id, name, spec, started, ended) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
			b.ID, b.Name, notNil(b.Spec), micros(b.Started), nullMicros(b.Ended))
		if err != nil || no == 0 {
			return err
		}
		created = true
		return w.claim(b.ID, b.Sensors, b.Ended == nil)
	})
	if err != nil {
		return false, fmt.Errorf("create batch %s: %w", b.ID, err)
	}
	return created, nil
}

// notNil keeps an absent JSON body from becoming NULL.
func notNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// claim gives the batch these sensors and no others.
func (w *writer) claim(id string, sensors []string, running bool) error {
	no, err := w.batchNo(id)
	if err != nil {
		return err
	}
	if _, err := w.exec("DELETE FROM batch_sensor WHERE batch = ?", no); err != nil {
		return err
	}
	for i, s := range sensors {
		if slices.Contains(sensors[:i], s) {
			continue
		}
		if running {
			var holder string
			err := w.one("SELECT b.id FROM batch_sensor AS c JOIN batch AS b ON b.no = c.batch WHERE c.sensor = ? AND c.running = 1", []any{s}, &holder)
			if err == nil {
				return ErrSensorClaimed{Sensor: s, Batch: holder}
			} else if !errors.Is(err, sql.ErrNoRows) {
				return err
			}
		}
		if _, err := w.exec("INSERT INTO batch_sensor (batch, place, sensor, running) VALUES (?, ?, ?, ?)", no, i, s, running); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) batchNo(id string) (no int64, err error) {
	err = w.one("SELECT no FROM batch WHERE id = ?", []any{id}, &no)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("batch %q: %w", id, ErrNotFound)
	}
	return no, err
}

// EndBatch notes when the batch ended and frees its sensors. Ending it again
// changes nothing. ErrNotFound if there is no such batch.
func (j *Journal) EndBatch(ctx context.Context, id string, at time.Time) error {
	err := j.change(ctx, func(w *writer) error {
		no, err := w.batchNo(id)
		if err != nil {
			return err
		}
		if _, err := w.exec("UPDATE batch SET ended = ? WHERE no = ? AND ended IS NULL", micros(at), no); err != nil {
			return err
		}
		_, err = w.exec("UPDATE batch_sensor SET running = 0 WHERE batch = ? AND running = 1", no)
		return err
	})
	if err != nil {
		return fmt.Errorf("end batch %s: %w", id, err)
	}
	return nil
}

// batchColumns: the sensors come as a JSON array, for a name may hold any character.
func batchColumns() string {
	return `SELECT b.id, b.name, b.spec, b.started, b.ended,
	(SELECT json_group_array(sensor) FROM (SELECT sensor FROM batch_sensor WHERE batch = b.no ORDER BY place)), ` + batchHolds() + ` FROM batch AS b`
}

// batchHolds says whether batch b and its sensors are what was written.
func batchHolds() string {
	return holds("batch", "b") + " AND ifnull((SELECT min(" + holds("batch_sensor", "c") + ") FROM batch_sensor AS c WHERE c.batch = b.no), 1)"
}

func scanBatch(row scanner) (b Batch, err error) {
	var started int64
	var ended sql.NullInt64
	var sensors string
	what := func() string { return "the description of batch " + b.ID }
	if err = wholeRow(row, what, &b.ID, &b.Name, (*[]byte)(&b.Spec), &started, &ended, &sensors); err != nil {
		return Batch{}, err
	}
	b.Started, b.Ended = fromMicros(started), fromNullMicros(ended)
	return b, json.Unmarshal([]byte(sensors), &b.Sensors)
}

// Batches lists all batches, the latest started first, without those of Lost.
func (j *Journal) Batches(ctx context.Context) ([]Batch, error) {
	all, err := sift(ctx, &j.found, j.read, batchColumns()+" ORDER BY b.started DESC, b.no DESC", nil, scanBatch)
	if err != nil {
		return nil, fmt.Errorf("list the batches: %w", err)
	}
	return all, nil
}

// BatchIDs lists the IDs of all batches, the latest started first, damaged ones too.
func (j *Journal) BatchIDs(ctx context.Context) ([]string, error) {
	all, err := texts(ctx, j.read, "SELECT id FROM batch ORDER BY started DESC, no DESC")
	if err != nil {
		return nil, fmt.Errorf("list the batches: %w", err)
	}
	return all, nil
}

// Lost lists the IDs of batches whose description is not what was written. They
// run, as far as can be told.
func (j *Journal) Lost(ctx context.Context) ([]string, error) {
	all, err := texts(ctx, j.read, "SELECT b.id FROM batch AS b WHERE NOT ("+batchHolds()+") AND (b.ended IS NULL OR b.ended < b.started OR EXISTS (SELECT 1 FROM batch_sensor AS c WHERE c.batch = b.no AND c.running = 1)) ORDER BY b.no")
	if err != nil {
		return nil, fmt.Errorf("look for damaged batches: %w", err)
	}
	return all, nil
}

// Batch gives one batch; ErrNotFound if there is none of that ID, ErrChanged if
// its description is not what was written.
func (j *Journal) Batch(ctx context.Context, id string) (Batch, error) {
	b, ok, err := first(ctx, j.read, batchColumns()+" WHERE b.id = ?", []any{id}, scanBatch)
	if err == nil && !ok {
		err = ErrNotFound
	}
	if err != nil {
		return b, fmt.Errorf("batch %q: %w", id, j.noted(err))
	}
	return b, nil
}
