package journal

import (
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"strings"

	"modernc.org/sqlite"
)

// Every row carries a sum over all its other columns, so that whatever changes on
// the disk is noticed: column crc, CRC-32C as a signed number of 32 bits.
//
// It is worked out by ebbline_sum. Triggers keep it true, so whoever writes SQL
// need not think of it; only readings, of which there are many, bring their own. An
// update changes the sum by what it changes in the row: the sum of a row that was
// damaged stays wrong. Where all but the key is written anew, in setting, cursor
// and watch, the sum is made anew too.
//
// The sum of a reading holds the names of its sensor and quantity in place of its
// series. It is NULL of readings in hours that were binned before format 4.

// summed is a table whose rows have a sum.
type summed struct {
	table string
	key   []string // finds a row
	// columns are all but crc, in the order of the sum; @ is the row.
	columns string
	anew    bool   // an update writes all of a row but its key
	named   string // SQL: what a person is told of row @; no trigger has it
}

// entryKinds is SQL for the kind of entry @, in words.
const entryKinds = "CASE @.kind WHEN 'sample' THEN ' (a hand sample)' WHEN 'crash-started' THEN ' (the start of the crash)' WHEN 'packaged' THEN ' (the packaging)' " +
	"WHEN 'note' THEN ' (a note)' WHEN 'struck' THEN ' (an entry struck out)' WHEN 'sensors' THEN ' (other sensors)' ELSE '' END"

// summedV4 are the tables of format 4. The triggers are made of it: a format that
// changes a table makes its triggers again, of a list of its own.
func summedV4() []summed {
	row := []string{"rowid"}
	const batchOf = "' of batch ' || ifnull((SELECT id FROM batch WHERE no = @.batch), @.batch)"
	return []summed{
		{"series", row, "@.id, @.sensor, @.quantity, @.binned, @.thinned", false, "'what is known of ' || @.quantity || ' of ' || @.sensor"},
		{
			"hour",
			[]string{"series", "hour"},
			"@.series, @.hour, @.count, @.least, @.greatest, @.total, @.last", false,
			"'the figures of an hour of ' || ifnull((SELECT quantity || ' of ' || sensor FROM series WHERE id = @.series), @.series)",
		},
		{"batch", row, "@.no, @.id, @.name, @.spec, @.started, @.ended", false, "'the description of batch ' || @.id"},
		{"batch_sensor", []string{"batch", "place"}, "@.batch, @.place, @.sensor, @.running", false, "'sensor ' || @.sensor || " + batchOf},
		{"entry", row, "@.seq, @.batch, @.kind, @.time, @.entered, @.body, @.key", false, "'entry ' || @.seq || " + entryKinds + " || " + batchOf},
		{"event", row, "@.id, @.batch, @.n, @.type, @.time, @.body", false, "'event ' || @.n || " + batchOf},
		{"watch", row, "@.batch, @.seq, @.snapshot, @.snapshot_seq, @.last_n", true, "'the watch' || " + batchOf},
		{
			"alert", row, "@.id, @.batch, @.kind, @.severity, @.title, @.message, @.body, @.raised, @.recorded, @.acknowledged, @.snoozed_until, @.resolved, @.token", false,
			"'alert ' || @.id",
		},
		{"delivery", row, "@.id, @.alert, @.channel, @.n, @.due, @.attempts, @.started, @.done, @.outcome, @.error", false, "'a message of alert ' || @.alert || ' by ' || @.channel"},
		{"refusal", []string{"reason", "topic"}, "@.reason, @.topic, @.sensor, @.detail, @.kept, @.payload, @.first, @.last, @.count", false, "'what was refused on topic ' || @.topic"},
		{"refusal_count", []string{"reason"}, "@.reason, @.count", false, "'how often ' || @.reason || ' was refused'"},
		{"cursor", []string{"name"}, "@.name, @.value", true, "'how far ' || @.name || ' has read'"},
		{"setting", []string{"key"}, "@.key, @.value", true, "'setting ' || @.key"},
		{"meta", []string{"key"}, "@.key, @.value", false, "CASE @.key WHEN 'readings' THEN 'the number of readings' WHEN 'thinned' THEN 'the number of readings thinned out' ELSE 'the count ' || @.key END"},
	}
}

// readingColumns are those of the sum of a reading; @ is the row.
const readingColumns = "(SELECT sensor FROM series WHERE id = @.series), (SELECT quantity FROM series WHERE id = @.series), @.time, @.tie, @.lag, @.value, @.flags, @.seq"

// sum is SQL for the sum of the row that is known by this name.
func sum(columns, row string) string {
	return "ebbline_sum(" + strings.ReplaceAll(columns, "@", row) + ")"
}

// holds is SQL for whether a row of a table in the list is what was written.
func holds(table, row string) string {
	return row + ".crc IS " + sum(tableOf(table).columns, row)
}

// named is SQL for what a person is told of a row.
func named(table, row string) string {
	return strings.ReplaceAll(tableOf(table).named, "@", row)
}

func tableOf(name string) summed {
	for _, s := range summedV4() {
		if s.table == name {
			return s
		}
	}
	panic("no sums in table " + name)
}

// unsummed is what a row has before its trigger has run. It takes as many bytes as
// nearly all sums, so that the sum is written in its place.
const unsummed = math.MaxInt32

func schemaV4() string {
	// All columns come before the first trigger, for each column that is added has
	// SQLite read all triggers anew.
	var columns, triggers strings.Builder
	for _, s := range summedV4() {
		fmt.Fprintf(&columns, "ALTER TABLE %s ADD COLUMN crc INTEGER NOT NULL DEFAULT %d;\n", s.table, unsummed)
		fmt.Fprintf(&columns, "UPDATE %s SET crc = %s;\n", s.table, sum(s.columns, s.table))
		fmt.Fprintf(&triggers, "CREATE TRIGGER %[1]s_added AFTER INSERT ON %[1]s BEGIN UPDATE %[1]s SET crc = %[2]s WHERE %[3]s; END;\n",
			s.table, sum(s.columns, "new"), sameRow(s.key))
		triggers.WriteString(onUpdate(s))
	}
	columns.WriteString(`ALTER TABLE reading ADD COLUMN crc INTEGER;
ALTER TABLE fresh ADD COLUMN crc INTEGER;
UPDATE fresh SET crc = ` + sum(readingColumns, "fresh") + `;
UPDATE reading SET crc = ` + sum(readingColumns, "reading") + ` FROM series AS s
	WHERE reading.series = s.id AND reading.time >= (s.binned - 700000) * 3600000000;
`)
	triggers.WriteString(onUpdate(summed{table: "reading", key: []string{"series", "time", "tie"}, columns: readingColumns}))
	triggers.WriteString(onUpdate(summed{table: "fresh", key: []string{"rowid"}, columns: readingColumns}))
	return columns.String() + triggers.String()
}

// onUpdate is the trigger for updates. Its WHEN keeps it from answering to itself.
func onUpdate(s summed) string {
	crc := sum(s.columns, "new")
	if !s.anew {
		crc = "ebbline_changed(old.crc, " + sum(s.columns, "old") + ", " + crc + ")"
	}
	return fmt.Sprintf("CREATE TRIGGER %[1]s_changed AFTER UPDATE ON %[1]s WHEN new.crc IS old.crc BEGIN UPDATE %[1]s SET crc = %[2]s WHERE %[3]s; END;\n",
		s.table, crc, sameRow(s.key))
}

func sameRow(key []string) string {
	var all []string
	for _, k := range key {
		all = append(all, k+" = new."+k)
	}
	return strings.Join(all, " AND ")
}

// openFile opens a database with our functions.
func openFile(path string, pragmas ...string) (*sql.DB, error) {
	for name, f := range map[string]*sqlite.FunctionImpl{
		"ebbline_sum":     {NArgs: -1, Deterministic: true, VolatileArgs: true, Scalar: sumSQL},
		"ebbline_changed": {NArgs: 3, Deterministic: true, Scalar: changedSQL},
	} {
		if err := sqlite.RegisterFunction(name, f); err != nil && !strings.Contains(err.Error(), "already registered") {
			return nil, err // they are the driver's, not a connection's
		}
	}
	return sql.Open("sqlite", dsn(path, pragmas...))
}

func sumSQL(_ *sqlite.FunctionContext, values []driver.Value) (driver.Value, error) {
	var s sumOf
	for _, v := range values {
		switch v := v.(type) {
		case nil:
			s.add('n', nil)
		case int64:
			s.number('i', uint64(v))
		case float64:
			s.real(v)
		case string:
			s.text(v)
		case []byte:
			s.number('b', uint64(len(v)))
			s.crc = crc32.Update(s.crc, s.table(), v)
		default:
			return nil, fmt.Errorf("sum of a %T", v)
		}
	}
	return s.value(), nil
}

// changedSQL is the sum of a row that had another sum before a change.
func changedSQL(_ *sqlite.FunctionContext, v []driver.Value) (driver.Value, error) {
	crc, known := v[0].(int64)
	before, _ := v[1].(int64)
	after, _ := v[2].(int64)
	if !known {
		return nil, nil
	}
	return crc ^ before ^ after, nil
}

// sumOf adds up values, each with its kind.
type sumOf struct{ crc uint32 }

func (*sumOf) table() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

func (s *sumOf) add(kind byte, b []byte) {
	s.crc = crc32.Update(crc32.Update(s.crc, s.table(), []byte{kind}), s.table(), b)
}

func (s *sumOf) number(kind byte, v uint64) {
	var b [9]byte
	b[0] = kind
	binary.BigEndian.PutUint64(b[1:], v)
	s.crc = crc32.Update(s.crc, s.table(), b[:])
}

// real takes both zeros for one, as the file does.
func (s *sumOf) real(v float64) { s.number('r', math.Float64bits(v+0)) }

func (s *sumOf) text(v string) {
	s.number('t', uint64(len(v)))
	s.crc = crc32.Update(s.crc, s.table(), []byte(v))
}

func (s *sumOf) value() int64 { return int64(int32(s.crc)) }

// sum is that of a reading.
func (r row) sum(k seriesKey) int64 {
	var s sumOf
	s.text(k.sensor)
	s.text(string(k.quantity))
	for _, v := range []int64{r.time, r.tie, r.lag} {
		s.number('i', uint64(v))
	}
	s.real(r.value)
	s.number('i', uint64(r.flags))
	s.number('i', uint64(r.seq))
	return s.value()
}
