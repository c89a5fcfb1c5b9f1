package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

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
	if h.Thinned > 0 {
		span += fmt.Sprintf(" (%s older ones were thinned out)", thousands(h.Thinned))
	}
	return fmt.Sprintf("%s, %s (%s running), %s by hand, %s of what was worked out and told, %.1f MB, format %d.", span, batchesWord(h.Batches), thousands(int64(h.Running)),
		entriesWord(h.Entries), linesWord(h.Events), float64(h.FileBytes)/1e6, h.Format)
}

func batchesWord(n int) string {
	if n == 1 {
		return "1 batch"
	}
	return thousands(int64(n)) + " batches"
}

func entriesWord(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return thousands(int64(n)) + " entries"
}

func linesWord(n int64) string {
	if n == 1 {
		return "1 line"
	}
	return thousands(n) + " lines"
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
	free, err := freeBytes(cfg.Data)
	if err != nil {
		return fmt.Errorf("asking how much is free on the disk of %s: %w", cfg.Data, err)
	}
	_, err = fmt.Fprintf(out, "The record in %s is sound: %s\n%s\n%s\n", cfg.Data, heldWords(held), growthWords(held.YearBytes(), free),
		lookedAt(held.Format))
	if err != nil {
		return err
	}
	return sayAnew(out, cfg.Data)
}

// lookedAt says what a check of a record of this format can see.
func lookedAt(format int) string {
	if format < 4 {
		return "Looked at: the file's structure, and the readings of all hours that are over. A letter or digit that changed in an entry, a message or the description of a batch would not be seen: the next start of the daemon gives every row a sum."
	}
	return "Looked at: the file's structure, the sum of every row, and the readings of all hours that are over."
}

// nearlyFull is so little space, in bytes, that a person is to make room: the
// write-ahead log of the record takes 64 MiB, and a busy record grows by some 30 MB
// a year. Once nothing is free no reading is taken.
const nearlyFull = 100_000_000

// growthWords says how long the disk will do; free is in bytes as well. What wants a
// person begins with a !.
func growthWords(year, free int64) string {
	space := freeWords(free) + " free on its disk."
	growth := fmt.Sprintf("At the pace of its last week it grows by about %s MB a year; ", thousands(max(1, year/1e6)))
	switch {
	case year <= 0:
		growth = "It is too young to tell how fast it grows; "
	case year > free:
		growth = fmt.Sprintf("At the pace of its last week the disk is full in about %.0f days, unless keep.thin_after_days thins old readings: ", math.Floor(365*float64(free)/float64(year)))
	}
	switch {
	case free < nearlyFull:
		return "! " + growth + space + " " + makeRoom
	case year > free:
		return "! " + growth + space
	}
	return growth + space
}

// makeRoom says what to do about a disk that is nearly full, and why.
const makeRoom = "That is hardly anything: free some space. On a full disk no reading is taken and no alert can come."

// freeWords are how much is free; GB alone would round a nearly full disk to none.
func freeWords(free int64) string {
	if free < 1e9 {
		return fmt.Sprintf("%d MB are", free/1e6)
	}
	return fmt.Sprintf("%.1f GB are", float64(free)/1e9)
}

// freeBytes is what this user may still write to the disk that holds path.
func freeBytes(path string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil //nolint:unconvert,gosec // 32 bits on arm; no disk has 2^63 blocks
}
