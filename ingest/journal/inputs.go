package journal

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"time"
)

// Inputs gives what a watch has yet to read: the readings of the sensors, of
// time `from` or later, and the entries of the batch, all with Seq above
// afterSeq, each list in order of Seq. They are the first limit of both lists
// together (not positive: all), so that everything up to the highest Seq given
// has been given; fewer than limit means that there is no more for now. A reading
// that is not what was written is left out; for such an entry it is ErrChanged.
func (j *Journal) Inputs(ctx context.Context, batch string, sensors []string, afterSeq int64, from time.Time, limit int) ([]Stored, []Entry, error) {
	return j.inputs(ctx, nil, batch, sensors, afterSeq, from, limit)
}

// SoundInputs is Inputs without entries that are not what was written: to look at,
// not to work from.
func (j *Journal) SoundInputs(ctx context.Context, batch string, sensors []string, afterSeq int64, from time.Time, limit int) ([]Stored, []Entry, error) {
	return j.inputs(ctx, &j.found, batch, sensors, afterSeq, from, limit)
}

func (j *Journal) inputs(ctx context.Context, out *findings, batch string, sensors []string, afterSeq int64, from time.Time, limit int) ([]Stored, []Entry, error) {
	readings, entries, err := j.yetToRead(ctx, out, batch, sensors, afterSeq, from, limit)
	if err != nil {
		return nil, nil, fmt.Errorf("read the inputs of batch %s after %d: %w", batch, afterSeq, j.noted(err))
	}
	readings, entries = firstOf(readings, entries, limit)
	return readings, entries, nil
}

const (
	inputsText = "SELECT " + storedFields + " FROM reading AS r INDEXED BY reading_by_series_seq JOIN series AS s ON s.id = r.series" + yetToRead +
		" UNION ALL " + freshIn + yetToRead + " ORDER BY 1 LIMIT ?4"
	yetToRead = " WHERE r.series = ?1 AND r.seq > ?2 AND r.time >= ?3"
)

func inputEntriesText() string {
	return entryColumns() + " WHERE b.id = ? AND e.seq > ? ORDER BY e.seq LIMIT ?"
}

// yetToRead asks series by series, each at most limit rows by its own index: no
// other batch's readings are touched. One transaction, or a reading committed
// between two queries could be passed over. Where rows were left out of a list that
// reached the limit, the others end with it.
func (j *Journal) yetToRead(ctx context.Context, out *findings, batch string, sensors []string, afterSeq int64, from time.Time, limit int) (readings []Stored, entries []Entry, err error) {
	tx, err := j.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	upTo := int64(math.MaxInt64) // what every list holds whole
	for _, sensor := range sensors {
		ids, err := query(ctx, tx, "SELECT id FROM series WHERE sensor = ?", []any{sensor},
			func(row scanner) (id int64, err error) { return id, row.Scan(&id) })
		if err != nil {
			return nil, nil, err
		}
		for _, id := range ids {
			n := 0
			part, err := sift(ctx, &j.found, tx, inputsText, []any{id, afterSeq, micros(from), atMost(limit)},
				func(row scanner) (Stored, error) { n++; return scanStored(row) })
			if err != nil {
				return nil, nil, err
			}
			if n == limit && len(part) > 0 {
				upTo = min(upTo, part[len(part)-1].Seq)
			}
			readings = append(readings, part...)
		}
	}
	n := 0
	entries, err = sift(ctx, out, tx, inputEntriesText(), []any{batch, afterSeq, atMost(limit)},
		func(row scanner) (Entry, error) { n++; return scanEntry(row) })
	if n == limit && len(entries) > 0 {
		upTo = min(upTo, entries[len(entries)-1].Seq)
	}
	readings = slices.DeleteFunc(readings, func(s Stored) bool { return s.Seq > upTo })
	slices.SortFunc(readings, func(a, b Stored) int { return cmp.Compare(a.Seq, b.Seq) })
	return readings, slices.DeleteFunc(entries, func(e Entry) bool { return e.Seq > upTo }), err
}

// firstOf cuts both lists, each in order, where together they hold limit.
func firstOf(readings []Stored, entries []Entry, limit int) ([]Stored, []Entry) {
	if limit <= 0 || len(readings)+len(entries) <= limit {
		return readings, entries
	}
	r, e := 0, 0
	for r+e < limit {
		if e == len(entries) || r < len(readings) && readings[r].Seq < entries[e].Seq {
			r++
		} else {
			e++
		}
	}
	return readings[:r], entries[:e]
}
