package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// state is what the writer lets others see.
type state struct {
	mu         sync.Mutex
	problem    string
	since      time.Time
	lastCommit time.Time
	stats      Stats
}

func (s *state) holds(readings, thinned, seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Readings, s.stats.Thinned, s.stats.LastSeq = readings, thinned, seq
}

func (s *state) grew(inserted, thinned, seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Readings += inserted
	s.stats.Thinned += thinned
	s.stats.LastSeq = seq
}

func (s *state) diverged() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Diverged++
}

// committed notes how a group went; true if health changed by it.
func (s *state) committed(callers int, begun, ended time.Time, err error) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.problem
	s.problem = ""
	if err != nil {
		s.stats.Failed++
		s.problem = fmt.Sprintf("The record cannot be written (%v). New readings are not acknowledged, so that the devices or the broker keep them; it is tried again with each one.", err)
	} else {
		s.stats.Groups++
		s.stats.LastCommit = ended.Sub(begun)
		s.stats.LastGroup = callers
		s.lastCommit = ended
	}
	if (before == "") == (s.problem == "") {
		return false
	}
	s.since = ended
	return true
}

// Health says whether the last write became durable. A journal that was never
// written to is well.
func (j *Journal) Health() Health {
	j.state.mu.Lock()
	defer j.state.mu.Unlock()
	return Health{OK: j.state.problem == "", Problem: j.state.problem, Since: j.state.since, LastCommit: j.state.lastCommit}
}

// Stats is cheap enough to be asked for at every scrape.
func (j *Journal) Stats() Stats {
	j.state.mu.Lock()
	s := j.state.stats
	j.state.mu.Unlock()
	s.Waiting = len(j.ops)
	if n, ok, err := first(context.Background(), j.read, "SELECT count(*), count(CASE WHEN due <= ? OR attempts > 0 THEN 1 END) FROM delivery WHERE done IS NULL", []any{micros(j.now())},
		func(row scanner) (n [2]int, err error) { return n, row.Scan(&n[0], &n[1]) }); err == nil && ok {
		s.Pending, s.Overdue = n[0], n[1]
	}
	for _, name := range []string{j.path, j.path + "-wal"} {
		if info, err := os.Stat(name); err == nil {
			s.FileBytes += info.Size()
		}
	}
	return s
}

// fault is SQLite's error, with what a person can do about it.
type fault struct {
	advice string
	cause  error
}

func (f *fault) Error() string { return f.advice + ": " + f.cause.Error() }

func (f *fault) Unwrap() error { return f.cause }

// full reports whether an error is that of a full disk, which SQLite undoes whole.
func full(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_FULL
}

// describe adds to SQLite's error what a person can do about it.
func describe(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return &fault{"the disk is full, free some space", err}
	case sqlite3.SQLITE_IOERR:
		return &fault{"the disk does not answer as it should, look at its cable or card and at the system's log", err}
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return &fault{"the file or its folder cannot be written, look at owner, mode and mount", err}
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return &damage{cause: err}
	case sqlite3.SQLITE_BUSY:
		return &fault{"another program holds the file, close it", err}
	}
	return err
}

// diskFault tells an error of the store itself from one of a request to it,
// such as a constraint.
func diskFault(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	code := e.Code() & 0xff
	return code != sqlite3.SQLITE_CONSTRAINT && code != sqlite3.SQLITE_MISMATCH && code != sqlite3.SQLITE_TOOBIG
}

// watchers are told, coalesced, that something was committed.
type watchers struct {
	mu   sync.Mutex
	set  map[chan struct{}]bool
	over bool
}

// Changes gives a channel that holds one signal after something was committed
// since the last receive, however much it was, and a function that ends it.
// The channel is closed then, and when the journal is closed.
func (j *Journal) Changes() (<-chan struct{}, func()) {
	c := make(chan struct{}, 1)
	w := &j.changes
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.over {
		close(c)
		return c, func() {}
	}
	if w.set == nil {
		w.set = map[chan struct{}]bool{}
	}
	w.set[c] = true
	return c, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.set[c] {
			delete(w.set, c)
			close(c)
		}
	}
}

func (w *watchers) notify() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.set {
		select {
		case c <- struct{}{}:
		default: // the last signal still waits
		}
	}
}

func (w *watchers) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.over = true
	for c := range w.set {
		close(c)
	}
	clear(w.set)
}
