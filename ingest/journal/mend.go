package journal

import "fmt"

// mendDeliveries takes out the deliveries that are not what was written, for one
// of them may silence an alert, or ring without end: an index no longer fits a
// row that changed. Whoever would hear of an open urgent alert by now, and has no
// telling before them, gets one now. It runs before the writer does.
func (j *Journal) mendDeliveries() (err error) {
	w := j.w
	changed := "NOT (" + holds("delivery", "d") + ")"
	var damaged bool
	if err := w.one("SELECT EXISTS (SELECT 1 FROM delivery AS d NOT INDEXED WHERE "+changed+")", nil, &damaged); err != nil || !damaged {
		return err
	}
	if _, err = w.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			w.undo()
			err = fmt.Errorf("take out the damaged messages: %w", describe(err))
		}
	}()
	for _, step := range []string{
		"CREATE TEMP TABLE heard AS SELECT DISTINCT channel FROM main.delivery NOT INDEXED",
		"DELETE FROM delivery WHERE id IN (SELECT id FROM delivery AS d NOT INDEXED WHERE " + changed + ")",
		"REINDEX delivery",
	} {
		if _, err = w.conn.ExecContext(w.ctx, step); err != nil {
			return err
		}
	}
	if _, err = w.conn.ExecContext(w.ctx, `INSERT INTO delivery (alert, channel, n, due)
		SELECT a.id, c.channel, 1 + ifnull((SELECT max(n) FROM delivery WHERE alert = a.id AND channel = c.channel), 0), max(?, ifnull(a.snoozed_until, 0))
		FROM alert AS a CROSS JOIN temp.heard AS c
		WHERE a.severity = 'urgent' AND a.acknowledged IS NULL AND a.resolved IS NULL
		AND NOT EXISTS (SELECT 1 FROM delivery WHERE alert = a.id AND channel = c.channel AND done IS NULL)`, micros(j.now())); err != nil {
		return err
	}
	for _, step := range []string{"DROP TABLE temp.heard", "COMMIT"} {
		if _, err = w.conn.ExecContext(w.ctx, step); err != nil {
			return err
		}
	}
	return nil
}
