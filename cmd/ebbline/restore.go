package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
)

// RestoreCmd puts a copy of the record into an empty data folder.
type RestoreCmd struct {
	Config string `type:"path" placeholder:"FILE" help:"Configuration file that names the data folder."`
	From   string `arg:"" type:"path" help:"Copy made by ebbline backup."`
}

// Help is the long help with an example.
func (RestoreCmd) Help() string {
	return `The copy is checked before and after, and what it holds is said. A record that is there
already is never overwritten. Stop the daemon first; start it again afterwards.

Example:
  ebbline restore --config /etc/ebbline.yaml ebbline-friday.db`
}

// Run restores and says what came back.
func (c *RestoreCmd) Run(out io.Writer) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	held, err := journal.Restore(context.Background(), c.From, cfg.Data)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "The record is restored into %s and is sound: %s\n", cfg.Data, heldWords(held))
	return err
}

// heldWords says what a record holds.
func heldWords(h journal.Held) string {
	span := "no readings"
	if h.Readings > 0 {
		span = fmt.Sprintf("%s readings from %s to %s", thousands(h.Readings), h.First.Format(time.DateOnly), h.Last.Format(time.DateOnly))
	}
	return fmt.Sprintf("%s, %s (%s running), %s entered, %s said, %.1f MB, format %d.", span, batchesWord(h.Batches), thousands(int64(h.Running)),
		thousands(int64(h.Entries)), thousands(h.Events), float64(h.FileBytes)/1e6, h.Format)
}

func batchesWord(n int) string {
	if n == 1 {
		return "1 batch"
	}
	return thousands(int64(n)) + " batches"
}

// thousands writes a number with its thousands apart.
func thousands(n int64) string {
	if n < 1000 {
		return fmt.Sprint(n)
	}
	return fmt.Sprintf("%s,%03d", thousands(n/1000), n%1000)
}

// checkRecord proves the record of a configuration, also while a daemon writes it.
func checkRecord(out io.Writer, cfg *config.Config) error {
	path := filepath.Join(cfg.Data, journal.FileName)
	held, err := journal.Inspect(context.Background(), path)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "The record in %s is sound: %s\n", cfg.Data, heldWords(held))
	return err
}
