package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/ingest"
)

// everything is a closed record with rows in every table, each of which was updated
// in every way there is.
func everything(t *testing.T) []byte {
	t.Helper()
	dir, ctx := t.TempDir(), t.Context()
	j := openTest(t, dir, migrations())
	minute := func(i int) time.Time { return noon.Add(time.Duration(i) * time.Minute) }
	for i := range 150 {
		require.NoError(t, j.Record(ctx, []ingest.Reading{
			{Sensor: "float-1", Quantity: ingest.Gravity, Time: minute(i), Arrived: minute(i).Add(time.Second), DeviceTime: true, Value: 1.0132},
			{Sensor: "float-2", Quantity: ingest.Temperature, Time: minute(i), Arrived: minute(i), Value: 19.5, Uncorrected: i%2 == 0},
		}, []ingest.Refusal{{Sensor: "float-3", Topic: "cellar/float-3", Reason: ingest.OutOfRange, Payload: []byte("7"), Arrived: minute(i)}}))
	}
	for id, sensors := range map[string][]string{"wheat": {"float-1", "float-2"}, "rye": {"float-3"}} {
		_, err := j.CreateBatch(ctx, Batch{ID: id, Name: "of " + id, Spec: []byte(`{"ceiling":"0.5"}`), Started: noon, Sensors: sensors})
		require.NoError(t, err)
	}
	for i, kind := range []EntryKind{SampleEntry, NoteEntry, SensorChanged} {
		_, err := j.AddEntry(ctx, Entry{Batch: "wheat", Kind: kind, Time: minute(i), Entered: minute(i), Body: []byte(`{"sensors":["float-2"],"gravity":1.011}`), Key: fmt.Sprint(i)})
		require.NoError(t, err)
	}
	var events []Event
	var alerts []Alert
	var deliveries []Delivery
	for i := range 4 {
		events = append(events, Event{Batch: "wheat", N: int64(i + 1), Type: "estimate", Time: minute(i), Body: fmt.Appendf(nil, `{"abv":0.%d}`, i)})
		a := Alert{ID: fmt.Sprintf("wheat/crash-now/%d", i+1), Batch: "wheat", Kind: "crash-now", Severity: "urgent", Title: "Crash", Message: "Crash by noon.", Body: []byte(`{"abv":0.4}`), Raised: minute(i), Recorded: minute(i), Token: fmt.Sprint("t", i)}
		alerts = append(alerts, a)
		deliveries = append(deliveries, Delivery{Alert: a.ID, Channel: "phone", N: 1, Due: minute(i)})
	}
	for _, snapshot := range [][]byte{nil, []byte("first"), []byte(strings.Repeat("second", 900))} {
		require.NoError(t, j.Say(ctx, "wheat", 7, snapshot, events, alerts, []string{alerts[0].ID}, minute(9), deliveries, Setting{"sentence/wheat", string(snapshot)}))
	}
	_, err := j.Acknowledge(ctx, alerts[1].ID, minute(10))
	require.NoError(t, err)
	require.NoError(t, j.Snooze(ctx, alerts[2].ID, minute(90)))
	require.NoError(t, j.MarkStarted(ctx, 1, minute(10)))
	require.NoError(t, j.Postpone(ctx, 1, minute(11), "nobody there"))
	require.NoError(t, j.MarkDone(ctx, 2, minute(11), "accepted", ""))
	require.NoError(t, j.Set(ctx, "quiet hours", "22:00"))
	require.NoError(t, j.Set(ctx, "quiet hours", "23:00"))
	_, err = j.GetOrSet(ctx, "id", "one")
	require.NoError(t, err)
	require.NoError(t, errors.Join(j.SetCursor(ctx, "mirror", 4), j.SetCursor(ctx, "mirror", 9)))
	_, err = j.Thin(ctx, Thinning{Before: minute(61), UpTo: math.MaxInt64})
	require.NoError(t, err)
	require.NoError(t, j.Record(ctx, []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: minute(3).Add(time.Second), Arrived: minute(151), DeviceTime: true, Value: 1.2}}, nil)) // late
	require.NoError(t, j.Check(ctx))
	_, err = j.PutRight(ctx, minute(130)) // from 136 on all lies ahead
	require.NoError(t, err)
	for i := range 20 {
		require.NoError(t, j.Record(ctx, []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: minute(150 + i), Arrived: minute(150 + i), DeviceTime: true, Value: 1.0131}}, nil))
	}
	require.NoError(t, j.EndBatch(ctx, "rye", minute(200)))
	require.NoError(t, j.Check(ctx), "after every way to write")
	require.Empty(t, j.Damaged())
	require.NoError(t, j.Close())
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	return whole
}

// scribbler changes a record's file as no program of ours would.
type scribbler struct{ db *sql.DB }

func scribbleIn(t require.TestingT, path string) scribbler {
	db, err := openFile(path)
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	return scribbler{db}
}

// exec goes around the triggers that keep the sums.
func (s scribbler) exec(text string, args ...any) error {
	rows, err := s.db.Query("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
	if err != nil {
		return err
	}
	var drop, again []string
	for rows.Next() {
		var name, text string
		err = errors.Join(err, rows.Scan(&name, &text))
		drop, again = append(drop, "DROP TRIGGER "+name), append(again, text)
	}
	err = errors.Join(err, rows.Err(), rows.Close())
	do := func(text string, args ...any) {
		if err == nil {
			_, err = s.db.Exec(text, args...)
		}
	}
	do("BEGIN")
	do(strings.Join(drop, ";"))
	do(text, args...)
	do(strings.Join(again, ";"))
	do("COMMIT")
	return err
}

// place is one column of one row.
type place struct {
	table, column string
	row           int
}

func (s scribbler) places(t require.TestingT) (all []place) {
	rows, err := s.db.Query(`SELECT t.name, c.name FROM sqlite_schema AS t, pragma_table_info(t.name) AS c WHERE t.type = 'table'`)
	require.NoError(t, err)
	for rows.Next() {
		var p place
		require.NoError(t, rows.Scan(&p.table, &p.column))
		all = append(all, p)
	}
	require.NoError(t, errors.Join(rows.Err(), rows.Close()))
	for i := range all {
		require.NoError(t, s.db.QueryRow("SELECT count(*) FROM "+all[i].table).Scan(&all[i].row))
	}
	return all
}

// flip changes one bit of a value; false if the result cannot be told from it.
func flip(v any, bit int) (any, bool) {
	switch v := v.(type) {
	case nil:
		return int64(bit), true
	case int64:
		return v ^ 1<<(bit%63), true
	case float64:
		f := math.Float64frombits(math.Float64bits(v) ^ 1<<(bit%64))
		return f, !math.IsNaN(f) && f != v
	case string:
		b := []byte(v)
		if len(b) == 0 {
			return "x", true
		}
		b[bit/8%len(b)] ^= 1 << (bit % 7)
		return string(b), b[bit/8%len(b)] != 0 // a NUL ends it for SQLite's shell, not for us
	case []byte:
		b := slices.Clone(v)
		if len(b) == 0 {
			return []byte("x"), true
		}
		b[bit/8%len(b)] ^= 1 << (bit % 8)
		return b, true
	}
	panic(fmt.Sprintf("%T", v))
}

// damaged is the record with one bit of one value changed; "" if SQLite does not
// take it, such as a text in place of a number.
func damaged(t require.TestingT, whole []byte, dir string, p place, bit int) string {
	path := filepath.Join(dir, FileName)
	for _, end := range []string{"-wal", "-shm"} {
		require.NoError(t, os.RemoveAll(path+end))
	}
	require.NoError(t, os.WriteFile(path, whole, 0o600))
	s := scribbleIn(t, path)
	defer s.db.Close()
	key := "rowid"
	if _, err := s.db.Exec("SELECT rowid FROM " + p.table); err != nil { // WITHOUT ROWID
		var columns string
		require.NoError(t, s.db.QueryRow("SELECT group_concat(name) FROM pragma_table_info(?) WHERE pk > 0", p.table).Scan(&columns))
		key = "(" + columns + ")"
	}
	var v any
	which := strings.Trim(key, "()")
	require.NoError(t, s.db.QueryRow(fmt.Sprintf("SELECT %s FROM %s ORDER BY %s LIMIT 1 OFFSET %d", p.column, p.table, which, p.row)).Scan(&v))
	now, ok := flip(v, bit)
	if !ok {
		return ""
	}
	err := s.exec(fmt.Sprintf("UPDATE %s SET %s = ? WHERE %s = (SELECT %s FROM %s ORDER BY %s LIMIT 1 OFFSET %d)", p.table, p.column, key, which, p.table, which, p.row), now)
	if err != nil {
		require.Contains(t, err.Error(), "constraint", "%+v", p)
		return ""
	}
	return fmt.Sprintf("%v in place of %v", now, v)
}

// Law: whatever changes in any row of any table, one bit or all, the check finds
// it, and no method gives a value that was not written.
func TestNoChangedRowIsUnseen(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	whole := everything(t)
	clean, dir := t.TempDir(), t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(clean, FileName), whole, 0o600))
	s := scribbleIn(t, filepath.Join(clean, FileName))
	places := s.places(t)
	require.NoError(t, s.db.Close())
	want := told(t, clean)
	require.Greater(t, len(want), 250)
	seen := func(t require.TestingT, p place, bit int) {
		what := damaged(t, whole, dir, p, bit)
		if what == "" || p.column == "crc" && (p.table == "reading" || p.table == "fresh") && strings.Contains(what, "<nil>") {
			return
		}
		_, err := Inspect(context.Background(), filepath.Join(dir, FileName))
		require.ErrorIs(t, err, ErrChanged, "%+v: %s", p, what)
		lines := told(t, dir)
		noticed := false
		for line := range lines {
			if strings.HasPrefix(line, damageTold) {
				noticed = true
				continue
			}
			require.True(t, want[line] || strings.Contains(line, "cannot be read any more"), "%+v: %s: told %s", p, what, line)
		}
		// Not read here are the hours and what was refused; a row that seems to belong
		// to nothing or to another is not met.
		elsewhere := slices.Contains([]string{"hour", "refusal"}, p.table) || slices.Contains([]string{"series", "batch"}, p.column)
		require.True(t, noticed || elsewhere, "%+v: %s: opened, read, and nothing said", p, what)
	}
	columns := 0
	for _, p := range places { // each at least once
		require.Positive(t, p.row, "no row in %s", p.table)
		rows := p.row
		p.row = rows / 2
		seen(t, p, 1)
		columns++
	}
	require.Greater(t, columns, 100)
	rnd := rand.New(rand.NewPCG(8, 5))
	for range 30 {
		p := places[rnd.IntN(len(places))]
		p.row = rnd.IntN(p.row)
		seen(t, p, rnd.IntN(4001))
	}
}

// told is all that an opened record gives, a line each; what is refused gives none.
func told(t require.TestingT, dir string) map[string]bool {
	lines, err := tolds(dir)
	require.NoError(t, err, "one bad row must not hide the others")
	return lines
}

func tolds(dir string) (lines map[string]bool, err error) {
	j, err := open(dir, Options{}, migrations())
	if err != nil {
		return nil, err
	}
	defer j.Close()
	lines = map[string]bool{}
	ctx := context.Background()
	fails := func(e error) {
		refused := errors.Is(e, ErrNotFound) || errors.Is(e, ErrChanged) && strings.Contains(e.Error(), "not what was written")
		if e != nil && !refused {
			err = errors.Join(err, e)
		}
	}
	tell := func(kind string, v any, e error) {
		fails(e)
		if text, e := json.Marshal(v); e == nil {
			lines[kind+" "+string(text)] = true
		} else {
			err = errors.Join(err, e)
		}
	}
	tellBatch := func(b Batch, e error) {
		if fails(e); e != nil {
			return
		}
		for _, sensor := range b.Sensors {
			tell("sensor of "+b.ID, sensor, nil)
		}
		b.Sensors = nil
		tell("batch", b, nil)
	}
	batches, e := j.Batches(ctx)
	fails(e)
	for _, b := range batches {
		tellBatch(b, nil)
	}
	alerts, e := j.Alerts(ctx, "", false)
	fails(e)
	for _, a := range alerts {
		tell("alert", a, nil)
	}
	for _, id := range []string{"wheat", "rye"} {
		tellBatch(j.Batch(ctx, id))
		entries, e := j.Entries(ctx, id)
		fails(e)
		readings, more, e := j.Inputs(ctx, id, []string{"float-1", "float-2"}, 0, noon, 0)
		fails(e)
		for _, e := range append(entries, more...) {
			tell("entry", e, nil)
		}
		for _, r := range readings {
			tell("reading", r, nil)
		}
		events, e := j.Events(ctx, id, nil, time.Time{}, time.Time{}, 0, false)
		fails(e)
		if last, ok, e := j.LatestEvent(ctx, id); ok {
			events = append(events, last)
		} else {
			fails(e)
		}
		bins, e := j.LastEvents(ctx, id, "estimate", noon, noon.Add(time.Hour), 60)
		fails(e)
		for _, e := range append(events, bins...) {
			tell("event", e, nil)
		}
		if snapshot, seq, _, e := j.WatchState(ctx, id); e != nil || string(snapshot) != notWritten {
			tell("watch", []any{string(snapshot), seq}, e)
		}
	}
	for _, key := range []string{"quiet hours", "sentence/wheat", "id"} {
		v, ok, e := j.Get(ctx, key)
		if fails(e); ok {
			tell("setting", v, nil)
		}
	}
	if at, e := j.Cursor(ctx, "mirror"); at != 0 {
		tell("cursor", at, e)
	}
	all, e := j.ReadingsAfter(ctx, 0, 0)
	fails(e)
	last, ok, e := j.LastReading(ctx, "float-1", ingest.Gravity)
	if fails(e); ok {
		all = append(all, last)
	}
	for _, r := range all {
		tell("reading", r, nil)
	}
	for _, what := range j.Damaged() {
		lines[damageTold+what] = true
	}
	return lines, err
}

// damageTold begins a line of what a record itself says of its damage.
const damageTold = "damaged: "

// Law: a change of a damaged row is made, and leaves it damaged; what is written
// anew as a whole is sound again.
func TestAChangeDoesNotMakeDamageGood(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, everything(t), 0o600))
	s := scribbleIn(t, path)
	require.NoError(t, s.exec("UPDATE alert SET message = 'All is well.' WHERE id = 'wheat/crash-now/4'"))
	require.NoError(t, s.exec("UPDATE batch SET spec = CAST('{\"ceiling\":\"0.7\"}' AS BLOB) WHERE id = 'wheat'"))
	require.NoError(t, s.exec("UPDATE setting SET value = '13:00' WHERE key = 'quiet hours'"))
	require.NoError(t, s.exec("UPDATE watch SET snapshot_seq = 1000000, snapshot = CAST('other' AS BLOB)"))
	require.NoError(t, s.exec("UPDATE cursor SET value = 1000000"))
	require.NoError(t, s.db.Close())
	j := openTest(t, dir, migrations())
	require.Equal(t, []string{
		"alert wheat/crash-now/4 is not what was written", "how far mirror has read is not what was written", "setting quiet hours is not what was written",
		"the description of batch wheat is not what was written",
	}, j.Damaged())
	lost, err := j.Lost(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"wheat"}, lost)
	_, err = j.Batch(t.Context(), "wheat")
	require.ErrorIs(t, err, ErrChanged)
	require.ErrorContains(t, err, "the description of batch wheat is not what was written")
	require.ErrorContains(t, err, "ebbline restore")

	a, err := j.Alert(t.Context(), "wheat/crash-now/4")
	require.NoError(t, err)
	require.Equal(t, "urgent", a.Severity)
	require.NotContains(t, a.Message, "well")
	done, err := j.Acknowledge(t.Context(), a.ID, noon.Add(time.Hour))
	require.NoError(t, err)
	require.True(t, done)
	a, err = j.Alert(t.Context(), a.ID)
	require.NoError(t, err)
	require.NotNil(t, a.Acknowledged, "whoever has seen it may say so")
	require.NoError(t, j.EndBatch(t.Context(), "wheat", noon.Add(time.Hour)))
	_, err = j.Batch(t.Context(), "wheat")
	require.ErrorIs(t, err, ErrChanged)

	require.NoError(t, j.Set(t.Context(), "quiet hours", "22:00"))
	require.NoError(t, j.SetCursor(t.Context(), "mirror", 12))
	require.NoError(t, j.Say(t.Context(), "wheat", 8, []byte("anew"), nil, nil, nil, noon, nil))
	snapshot, seq, _, err := j.WatchState(t.Context(), "wheat")
	require.NoError(t, err)
	require.Equal(t, "anew 8", fmt.Sprintf("%s %d", snapshot, seq))
	err = j.Check(t.Context())
	require.ErrorContains(t, err, "alert wheat/crash-now/4 is not what was written")
	require.ErrorContains(t, err, "the description of batch wheat is not what was written")
	for _, sound := range []string{"setting", "how far", "the watch"} {
		require.NotContains(t, err.Error(), sound)
	}
}
