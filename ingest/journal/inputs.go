package journal

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
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
	readings, entries, err := j.inputs(ctx, batch, sensors, afterSeq, from, limit)
	if err != nil {
		return nil, nil, fmt.Errorf("read the inputs of batch %s after %d: %w", batch, afterSeq, err)
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

// inputs asks series by series, each at most limit rows by its own index: no
// other batch's readings are touched. One transaction, or a reading committed
// between two queries could be passed over.
func (j *Journal) inputs(ctx context.Context, batch string, sensors []string, afterSeq int64, from time.Time, limit int) (readings []Stored, entries []Entry, err error) {
	tx, err := j.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	for _, sensor := range sensors {
		ids, err := query(ctx, tx, "SELECT id FROM series WHERE sensor = ?", []any{sensor},
			func(row scanner) (id int64, err error) { return id, row.Scan(&id) })
		if err != nil {
			return nil, nil, err
		}
		for _, id := range ids {
			part, err := sift(ctx, &j.found, tx, inputsText,
				[]any{id, afterSeq, micros(from), atMost(limit)}, scanStored)
			if err != nil {
				return nil, nil, err
			}
			readings = append(readings, part...)
		}
	}
	slices.SortFunc(readings, func(a, b Stored) int { return cmp.Compare(a.Seq, b.Seq) })
	entries, err = query(ctx, tx, inputEntriesText(),
		[]any{batch, afterSeq, atMost(limit)}, scanEntry)
	return readings, entries, err
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
