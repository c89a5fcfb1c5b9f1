package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// anewWords say that the record in a folder was gone at a start and begun anew, and
// what to do; "" if it was not.
func anewWords(dir string, loc *time.Location) string {
	at, mark, anew := journal.BegunAnew(dir)
	if !anew {
		return ""
	}
	return fmt.Sprintf("The record was gone when ebbline started at %s, and a new one was begun. What was recorded before is not in it, nor are batches that were made on the page: they are not watched. "+
		"To have them back stop ebbline, move the files %s* out of %s and keep them, restore a backup (ebbline restore) and start again. Keep the backups from before. If nothing is missed, delete %s.",
		at.In(loc).Format("15:04 on 2 January"), journal.FileName, filepath.Dir(mark), mark)
}

// sayAnew adds that to what a command says of a record.
func sayAnew(out io.Writer, dir string) error {
	words := anewWords(dir, time.Local)
	if words == "" {
		return nil
	}
	_, err := fmt.Fprintln(out, "! "+words)
	return err
}

func (d *daemon) anewHealth() []page.HealthItem {
	words := anewWords(d.conf().Data, d.conf().Location())
	if words == "" {
		return nil
	}
	return []page.HealthItem{{Code: "record", Text: words, Since: d.started}}
}

// anewKey is where the new record keeps that the phone was told.
const anewKey = "begun anew told"

// anewOutcry tells the phone, once, that the record was begun anew.
func (d *daemon) anewOutcry() *outcry {
	return &outcry{
		kind: "cannot-watch", title: "ebbline’s record is gone", patience: unwrittenPatience,
		meaning: "Batches that were made on the page are not watched any more: look at the beer yourself.",
		problem: func(ctx context.Context) string {
			words := anewWords(d.conf().Data, d.conf().Location())
			if words == "" {
				return ""
			}
			if _, told, err := d.journal.Get(ctx, anewKey); err != nil || told {
				return ""
			}
			return words
		},
		done: func(ctx context.Context) {
			if err := d.journal.Set(ctx, anewKey, time.Now().UTC().Format(time.RFC3339)); err != nil {
				d.log.Warn("that the record was begun anew is told again after a start", "error", err)
			}
		},
	}
}
