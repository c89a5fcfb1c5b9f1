package journal

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/ingest"
)

// redeliveryWindow is how far back a repeated message of a device without a
// clock is looked for.
const redeliveryWindow = time.Hour

type seriesKey struct {
	sensor   string
	quantity ingest.Quantity
}

// row is a reading as it is stored; see schema.go.
type row struct {
	series, time, tie, lag int64
	value                  float64
	seq, flags             int64
	crc                    int64 // see sum.go
}

// Bits of row.flags.
const (
	uncorrected = 1
	repeated    = 2
)

// Record stores what came with one message, or several, and returns when it is
// durable. Idempotent: a reading is told by sensor, quantity and device time;
// one without device time by its arrival (which is its Time) and value, and if
// it is Redelivered also by the same value having arrived within the hour before. Of two readings
// with one key the first is kept. Refusals are counted each time.
//
// ErrInvalid, before anything is stored: no sensor, or a value or time that is
// no number.
func (j *Journal) Record(ctx context.Context, readings []ingest.Reading, refusals []ingest.Refusal) error {
	o, err := newRecord(readings, refusals)
	if err != nil || o == nil {
		return err
	}
	return j.submit(ctx, o)
}

// newRecord is nil if there is nothing to store.
func newRecord(readings []ingest.Reading, refusals []ingest.Refusal) (*op, error) {
	for _, r := range readings {
		if err := storable(r); err != nil {
			return nil, err
		}
	}
	for _, r := range refusals {
		if !datable(r.Arrived) {
			return nil, fmt.Errorf("refusal on topic %q %w: arrived %v", r.Topic, ErrInvalid, r.Arrived)
		}
	}
	if len(readings)+len(refusals) == 0 {
		return nil, nil
	}
	return &op{readings: readings, refusals: refusals}, nil
}

func storable(r ingest.Reading) error {
	switch {
	case r.Sensor == "" || r.Quantity == "":
		return fmt.Errorf("reading %w: sensor %q and quantity %q must both be named", ErrInvalid, r.Sensor, r.Quantity)
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		return fmt.Errorf("reading of %s %s %w: its value is %v", r.Sensor, r.Quantity, ErrInvalid, r.Value)
	case !datable(r.Time) || !datable(r.Arrived):
		return fmt.Errorf("reading of %s %s %w: its time is %v, arrived %v", r.Sensor, r.Quantity, ErrInvalid, r.Time, r.Arrived)
	}
	return nil
}

// datable bounds times to those whose arithmetic in microseconds is safe.
func datable(t time.Time) bool { return t.Year() >= 1900 && t.Year() < 10000 }

func (w *writer) add(readings []ingest.Reading) error {
	for _, r := range readings {
		key := seriesKey{r.Sensor, r.Quantity}
		series, err := w.intern(key)
		if err != nil {
			return err
		}
		n := row{series: series, time: micros(r.Time), value: r.Value}
		n.lag = micros(r.Arrived) - n.time
		if r.Uncorrected {
			n.flags |= uncorrected
		}
		if r.Repeated {
			n.flags |= repeated
		}
		if !r.DeviceTime {
			n.time, n.lag = micros(r.Arrived), 0
			n.tie = tieOf(r.Value)
			if r.Redelivered {
				known, err := w.arrivedBefore(n)
				if err != nil {
					return err
				}
				if known {
					continue
				}
			}
		}
		w.seq++
		n.seq = w.seq
		n.crc = n.sum(key)
		w.rows = append(w.rows, n)
	}
	return nil
}

// tieOf tells apart values that arrive in one microsecond; never 0, because
// the bits of a stored value are never all ones (that is a NaN). Both zeros
// are one value.
func tieOf(v float64) int64 { return int64(math.Float64bits(v+0)) + 1 }

func (w *writer) arrivedBefore(n row) (bool, error) {
	if err := w.flush(); err != nil {
		return false, err
	}
	if w.crowded() { // the heap has no index
		if err := w.settle(); err != nil {
			return false, err
		}
	}
	var found bool
	err := w.one(`SELECT EXISTS (SELECT 1 FROM reading WHERE series = ?1 AND time BETWEEN ?2 AND ?3 AND tie = ?4)
		OR EXISTS (SELECT 1 FROM fresh WHERE series = ?1 AND time BETWEEN ?2 AND ?3 AND tie = ?4)`,
		[]any{n.series, n.time - redeliveryWindow.Microseconds(), n.time, n.tie}, &found)
	return found, err
}

func (w *writer) intern(k seriesKey) (int64, error) {
	if id, ok := w.series[k]; ok {
		return id, nil
	}
	var id, binned, thinned, newest int64
	err := w.one("SELECT id, binned, thinned, ifnull((SELECT max(time) FROM reading WHERE series = id), 0) FROM series WHERE sensor = ? AND quantity = ?",
		[]any{k.sensor, string(k.quantity)}, &id, &binned, &thinned, &newest)
	if errors.Is(err, sql.ErrNoRows) {
		err = w.one("INSERT INTO series (sensor, quantity) VALUES (?, ?) RETURNING id", []any{k.sensor, string(k.quantity)}, &id)
	}
	if err != nil {
		return 0, fmt.Errorf("intern series %s %s: %w", k.sensor, k.quantity, err)
	}
	w.series[k], w.binned[id], w.thinned[id], w.newest[id] = id, binned, thinned, max(w.newest[id], newest)
	return id, nil
}

// flush inserts the rows gathered so far: few of them as fresh ones.
func (w *writer) flush() error {
	rows := w.rows[:0]
	for _, r := range w.rows {
		if hourIn(r.time) >= w.thinned[r.series] {
			rows = append(rows, r)
		} else if err := w.late(r); err != nil {
			return err
		}
	}
	w.rows = w.rows[:0]
	switch all := len(w.fresh) + len(rows); {
	case all > burstMost, all > freshMost && len(rows) < freshGroup && !w.crowded():
		return w.place(rows)
	case len(rows) >= freshGroup:
		return w.heap(rows)
	}
	for _, r := range rows {
		w.touched(r)
		if err := w.freshen(r); err != nil {
			return err
		}
	}
	return nil
}

// place inserts rows where they belong, by as few statements as possible.
func (w *writer) place(rows []row) error {
	if err := w.settle(); err != nil {
		return err
	}
	// In the order of the table, so that rows of one page come together.
	slices.SortFunc(rows, func(a, b row) int {
		return cmp.Or(cmp.Compare(a.series, b.series), cmp.Compare(a.time, b.time), cmp.Compare(a.tie, b.tie), cmp.Compare(a.seq, b.seq))
	})
	return inParts(rows, func(some []row) error {
		args := make([]any, 0, 8*len(some))
		for _, r := range some {
			args = append(args, r.series, r.time, r.tie, r.lag, r.value, r.flags, r.seq, r.crc)
			w.touched(r)
		}
		added, err := w.changed(insertReadings(len(some)), args...)
		if err != nil {
			return fmt.Errorf("insert readings: %w", err)
		}
		w.inserted += added
		w.settled += added
		return nil
	})
}

// inParts has rows inserted by as few statements as may be prepared once.
func inParts(rows []row, insert func([]row) error) error {
	for len(rows) > 0 {
		n := 1
		for _, size := range []int{100, 10} {
			if len(rows) >= size {
				n = size
				break
			}
		}
		if err := insert(rows[:n]); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
}

func insertReadings(n int) string {
	return insertMany("reading (series, time, tie, lag, value, flags, seq, crc)", n) + " ON CONFLICT DO NOTHING"
}

// insertMany inserts n rows of eight columns.
func insertMany(into string, n int) string {
	return "INSERT INTO " + into + " VALUES " + strings.TrimSuffix(strings.Repeat("(?,?,?,?,?,?,?,?),", n), ",")
}

const (
	storedFields = "r.seq, s.sensor, s.quantity, r.time, r.tie, r.lag, r.flags, r.value, r.crc"
	storedIn     = "SELECT " + storedFields + " FROM reading AS r JOIN series AS s ON s.id = r.series"
	freshIn      = "SELECT " + storedFields + " FROM fresh AS r JOIN series AS s ON s.id = r.series"

	ofSeries          = " WHERE s.sensor = ?1 AND s.quantity = ?2"
	between           = ofSeries + " AND r.time >= ?3 AND r.time < ?4"
	after             = " WHERE r.seq > ?1"
	readingsText      = storedIn + between + " UNION ALL " + freshIn + between + " ORDER BY 4, 5 LIMIT ?5"
	lastReadingText   = storedIn + ofSeries + " UNION ALL " + freshIn + ofSeries + " ORDER BY 4 DESC, 5 DESC LIMIT 5"
	readingsAfterText = storedIn + after + " UNION ALL " + freshIn + after + " ORDER BY 1 LIMIT ?2"
	// The order of the join is forced: the other way round all readings are walked
	// through.
	seenText = "SELECT " + storedFields + ` FROM series AS s CROSS JOIN reading AS r ON r.series = s.id
		AND r.time = (SELECT max(time) FROM reading WHERE series = s.id)
		AND r.tie = (SELECT max(tie) FROM reading WHERE series = s.id AND time = r.time)
		UNION ALL ` + freshIn
)

// scanStored reads storedColumns. Redelivered is not kept: it says how a
// message came, not what it holds.
func scanStored(from scanner) (s Stored, err error) {
	var r row
	var crc sql.NullInt64
	if err = from.Scan(&s.Seq, &s.Sensor, &s.Quantity, &r.time, &r.tie, &r.lag, &r.flags, &s.Value, &crc); err != nil {
		return s, err
	}
	r.seq, r.value = s.Seq, s.Value
	if crc.Valid && crc.Int64 != r.sum(seriesKey{s.Sensor, s.Quantity}) {
		return Stored{}, &damage{found: changedReading(string(s.Quantity), s.Sensor, r.time)}
	}
	s.Time, s.Arrived, s.DeviceTime = fromMicros(r.time), fromMicros(r.time+r.lag), r.tie == 0
	s.Uncorrected, s.Repeated = r.flags&uncorrected != 0, r.flags&repeated != 0
	return s, nil
}

// Readings gives one series in order of time, from ≤ time < to; a zero to is
// no bound. Of more than limit (if positive) the earliest are given. A reading
// that is not what was written is left out, here and wherever readings are given.
func (j *Journal) Readings(ctx context.Context, sensor string, q ingest.Quantity, from, to time.Time, limit int) ([]Stored, error) {
	all, err := sift(ctx, &j.found, j.read, readingsText,
		[]any{sensor, string(q), micros(from), until(to), atMost(limit)}, scanStored)
	if err != nil {
		return nil, fmt.Errorf("read %s of %s: %w", q, sensor, err)
	}
	return all, nil
}

func until(t time.Time) int64 {
	if t.IsZero() {
		return math.MaxInt64
	}
	return micros(t)
}

// LastReading gives the latest reading of one series by its time; false if it
// has none.
func (j *Journal) LastReading(ctx context.Context, sensor string, q ingest.Quantity) (Stored, bool, error) {
	last, err := sift(ctx, &j.found, j.read, lastReadingText, []any{sensor, string(q)}, scanStored)
	if err != nil {
		return Stored{}, false, fmt.Errorf("read the last %s of %s: %w", q, sensor, err)
	}
	if len(last) == 0 {
		return Stored{}, false, nil
	}
	return last[0], true, nil
}

// ReadingsAfter gives at most limit readings of all sensors whose Seq is above
// seq, in order of Seq: the way to follow the journal.
func (j *Journal) ReadingsAfter(ctx context.Context, seq int64, limit int) ([]Stored, error) {
	all, err := sift(ctx, &j.found, j.read, readingsAfterText,
		[]any{seq, atMost(limit)}, scanStored)
	if err != nil {
		return nil, fmt.Errorf("read readings after %d: %w", seq, err)
	}
	return all, nil
}

// Seen lists every series that has readings, by sensor and quantity.
func (j *Journal) Seen(ctx context.Context) ([]SeriesSeen, error) {
	both, err := sift(ctx, &j.found, j.read, seenText, nil, scanStored)
	if err != nil {
		return nil, fmt.Errorf("list the sensors seen: %w", err)
	}
	slices.SortFunc(both, func(a, b Stored) int {
		return cmp.Or(cmp.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Quantity, b.Quantity), a.Time.Compare(b.Time), cmp.Compare(tieOf(a.Value), tieOf(b.Value)))
	})
	var all []SeriesSeen
	for _, s := range both {
		one := SeriesSeen{Sensor: s.Sensor, Quantity: s.Quantity, Last: s}
		if n := len(all); n > 0 && all[n-1].Sensor == s.Sensor && all[n-1].Quantity == s.Quantity {
			all[n-1] = one
		} else {
			all = append(all, one)
		}
	}
	return all, nil
}
