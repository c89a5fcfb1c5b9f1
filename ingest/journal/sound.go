package journal

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"strings"
	"time"
)

// Check reads the whole journal and reports what is wrong with it. It takes
// up to a minute per gigabyte; work goes on meanwhile.
func (j *Journal) Check(ctx context.Context) error {
	err := func() error {
		conn, err := j.read.Conn(ctx)
		if err != nil {
			return describe(err)
		}
		defer func() { _ = conn.Close() }()
		format, err := formatOf(ctx, conn)
		if err != nil {
			return err
		}
		return sound(ctx, conn, format)
	}()
	if err != nil {
		return fmt.Errorf("check the record %s: %w", j.path, err)
	}
	return nil
}

// mostFindings are named; whoever reads them needs no more to restore a backup.
const mostFindings = 10

// sound reports what is damaged: in the structure of the file, in rows whose sum
// is not theirs any more, and in hours that are over whose readings are not what
// was binned then.
func sound(ctx context.Context, conn *sql.Conn, format int) error {
	found, err := brokenStructure(ctx, conn)
	if err != nil {
		return err
	}
	for _, look := range []struct {
		since int
		find  func(context.Context, *sql.Conn, int) ([]string, error)
	}{{1, brokenTexts}, {4, changedRows}, {4, changedReadings}, {2, changedHours}} {
		if format < look.since || len(found) >= mostFindings {
			continue
		}
		some, err := look.find(ctx, conn, format)
		if err != nil {
			return err
		}
		found = append(found, some...)
	}
	if len(found) == 0 {
		return nil
	}
	strike := false
	if format >= 4 && len(found) < mostFindings {
		var n int
		if err := conn.QueryRowContext(ctx, strikableEntries()).Scan(&n); err != nil {
			return describe(err)
		}
		strike = n == len(found)
	}
	return &damage{found: strings.Join(found[:min(mostFindings, len(found))], "; "), strike: strike}
}

// strikableEntries counts the changed entries that the page strikes out: notes, and
// while a batch runs its samples and the start of its crash. Each is one finding.
func strikableEntries() string {
	return "SELECT count(*) FROM entry AS t JOIN batch AS b ON b.no = t.batch WHERE NOT (" + holds("entry", "t") + ") AND NOT " + putRight("t") +
		" AND (t.kind = '" + string(NoteEntry) + "' OR b.ended IS NULL AND t.kind IN ('" + string(SampleEntry) + "', '" + string(CrashStarted) + "'))"
}

func texts(ctx context.Context, db queryer, text string, args ...any) ([]string, error) {
	return query(ctx, db, text, args, func(row scanner) (s string, err error) { return s, row.Scan(&s) })
}

// brokenStructure asks SQLite, whose own words name pages and cells.
func brokenStructure(ctx context.Context, conn *sql.Conn) (found []string, err error) {
	faults, err := texts(ctx, conn, fmt.Sprintf("PRAGMA integrity_check(%d)", mostFindings))
	if err != nil {
		return nil, err
	}
	if n := len(faults); n > 1 || n == 1 && faults[0] != "ok" {
		found = append(found, "parts of the file do not fit together")
	}
	lost, err := texts(ctx, conn, `SELECT 'a row of ' || "table" || ' belongs to nothing in ' || parent FROM pragma_foreign_key_check LIMIT ?`, mostFindings)
	return append(found, lost...), err
}

// brokenTexts finds bodies that are no JSON, which older formats have no sum of. A
// row that does not agree with its sum is told of by that alone.
func brokenTexts(ctx context.Context, conn *sql.Conn, format int) ([]string, error) {
	broken := func(name, table, body string) string {
		text := "SELECT " + name + " || ' is no JSON' FROM " + table + " WHERE length(" + body + ") > 0 AND NOT json_valid(CAST(" + body + " AS TEXT))"
		if format >= 4 {
			text += " AND " + holds(table, table)
		}
		return text
	}
	return texts(ctx, conn, broken("'event ' || n || ' of batch ' || batch", "event", "body")+" UNION ALL "+broken("'entry ' || seq", "entry", "body")+
		" UNION ALL "+broken("'the description of batch ' || id", "batch", "spec")+" UNION ALL "+broken("'alert ' || id", "alert", "body")+" LIMIT ?", mostFindings)
}

// changedRows names the rows of all tables but the readings' whose sum is not theirs.
func changedRows(ctx context.Context, conn *sql.Conn, _ int) (found []string, err error) {
	for _, s := range summedV4() {
		some, err := s.changed(ctx, conn)
		if found = append(found, some...); err != nil || len(found) >= mostFindings {
			return found, err
		}
	}
	return found, nil
}

func (s summed) changed(ctx context.Context, db queryer) ([]string, error) {
	where := "crc IS NOT " + sum(s.columns, "t")
	if s.table == "entry" {
		where += " AND NOT " + putRight("t")
	}
	return texts(ctx, db, "SELECT "+named(s.table, "t")+" || ' is not what was written' FROM "+s.table+" AS t WHERE "+where+" LIMIT ?", mostFindings)
}

// changedReadings names readings whose sum is not theirs.
func changedReadings(ctx context.Context, conn *sql.Conn, _ int) ([]string, error) {
	one := func(table string) string {
		return "SELECT s.quantity, s.sensor, r.time FROM series AS s CROSS JOIN " + table + " AS r ON r.series = s.id WHERE r.crc IS NOT NULL AND r.crc <> " +
			"ebbline_sum(s.sensor, s.quantity, r.time, r.tie, r.lag, r.value, r.flags, r.seq)"
	}
	return query(ctx, conn, one("reading")+" UNION ALL "+one("fresh")+" LIMIT ?", []any{mostFindings}, func(row scanner) (string, error) {
		var quantity, sensor string
		var at int64
		err := row.Scan(&quantity, &sensor, &at)
		return changedReading(quantity, sensor, at), err
	})
}

func changedReading(quantity, sensor string, at int64) string {
	return fmt.Sprintf("%s of %s at %s is not what was written", quantity, sensor, fromMicros(at).Format(time.RFC3339))
}

// binnedSeries is a series with the hours of it that are binned, and thinned.
type binnedSeries struct {
	id, thinned, binned int64
	name                string
}

// changedHours names the hours whose readings are not those that were binned, all
// asked of one state of the file.
func changedHours(ctx context.Context, conn *sql.Conn, format int) (found []string, err error) {
	tx, err := conn.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	thinned := "thinned"
	if format < 3 {
		thinned = "0"
	}
	all, err := query(ctx, tx, "SELECT id, "+thinned+", binned, quantity || ' of ' || sensor FROM series", nil,
		func(row scanner) (s binnedSeries, err error) {
			return s, row.Scan(&s.id, &s.thinned, &s.binned, &s.name)
		})
	if err != nil {
		return nil, err
	}
	again, err := tx.PrepareContext(ctx, bucketText)
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = again.Close() }()
	for _, s := range all {
		some, err := s.changed(ctx, tx, again)
		if found = append(found, some...); err != nil || len(found) > mostFindings {
			return found, err
		}
	}
	return found, nil
}

// changed bins the hours of one series again.
func (s binnedSeries) changed(ctx context.Context, tx *sql.Tx, again *sql.Stmt) (found []string, err error) {
	type hour struct {
		at int64
		binned
	}
	hours, err := query(ctx, tx, "SELECT hour, count, least, greatest, total, last FROM hour WHERE series = ? AND hour < ?", []any{s.id, s.binned},
		func(row scanner) (h hour, err error) {
			return h, row.Scan(&h.at, &h.count, &h.least, &h.greatest, &h.total, &h.last)
		})
	if err != nil {
		return nil, err
	}
	var seen int64
	for _, h := range hours {
		var now binned
		err := again.QueryRowContext(ctx, s.id, beginOf(h.at), beginOf(h.at+1)).Scan(&now.count, &now.least, &now.greatest, &now.total, &now.last)
		if err != nil {
			return nil, describe(err)
		}
		seen += now.count
		if !now.agrees(h.binned, h.at < s.thinned) {
			found = append(found, fmt.Sprintf("%s in the hour from %s is not what it was", s.name, fromMicros(beginOf(h.at)).Format(time.RFC3339)))
		}
	}
	var there int64
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM reading WHERE series = ? AND time < ?", s.id, beginOf(s.binned)).Scan(&there); err != nil {
		return nil, describe(err)
	}
	if there != seen {
		found = append(found, fmt.Sprintf("%s has %d readings in hours of which nothing is known", s.name, there-seen))
	}
	return found, nil
}

// binned is what is kept of the readings of an hour.
type binned struct {
	count                        int64
	least, greatest, total, last float64
}

// agrees compares an hour's readings with what was kept of them. Of a thinned hour
// extremes and the last reading stay; number and total are those of all there were.
func (b binned) agrees(kept binned, thinned bool) bool {
	if b.least != kept.least || b.greatest != kept.greatest || b.last != kept.last {
		return false
	}
	// A total may be summed in another order, by another version.
	return thinned || b.count == kept.count && math.Abs(b.total-kept.total) <= 1e-9*math.Max(1, math.Abs(kept.total))
}
