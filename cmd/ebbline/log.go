package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// newLog writes lines of key=value without colour. Where w leads straight to
// systemd's journal, which notes the time itself, lines carry no time and begin
// with their severity as sd-daemon(3) defines it, so that "journalctl -p warning"
// finds what matters. lookup is os.LookupEnv, level the least
// that is written.
func newLog(w *os.File, lookup func(string) (string, bool), level slog.Leveler) *slog.Logger {
	if !leadsToJournal(w, lookup) {
		return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
	}
	return slog.New(severityHandler(w, level))
}

// leadsToJournal compares w with what systemd names in JOURNAL_STREAM: a variable
// that children inherit, also those whose output goes elsewhere.
func leadsToJournal(w *os.File, lookup func(string) (string, bool)) bool {
	stream, ok := lookup("JOURNAL_STREAM")
	if !ok {
		return false
	}
	var st unix.Stat_t
	return unix.Fstat(int(w.Fd()), &st) == nil && stream == fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

// severities writes each record by a text handler of its own into one line.
type severities struct {
	slog.Handler
	line *strings.Builder // what Handler writes to
	w    io.Writer
	mu   *sync.Mutex
}

func severityHandler(w io.Writer, level slog.Leveler) slog.Handler {
	line := &strings.Builder{}
	text := slog.NewTextHandler(line, &slog.HandlerOptions{Level: level, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
			return slog.Attr{}
		}
		return a
	}})
	return &severities{text, line, w, &sync.Mutex{}}
}

// Handle see slog.Handler.
func (s *severities) Handle(ctx context.Context, r slog.Record) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.line.Reset()
	fmt.Fprintf(s.line, "<%d>", severity(r.Level))
	if err := s.Handler.Handle(ctx, r); err != nil {
		return err
	}
	_, err := io.WriteString(s.w, s.line.String())
	return err
}

// WithAttrs see slog.Handler.
func (s *severities) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &severities{s.Handler.WithAttrs(attrs), s.line, s.w, s.mu}
}

// WithGroup see slog.Handler.
func (s *severities) WithGroup(name string) slog.Handler {
	return &severities{s.Handler.WithGroup(name), s.line, s.w, s.mu}
}

// severity is the level as syslog numbers it (RFC 5424, table 2).
func severity(l slog.Level) int {
	switch {
	case l >= slog.LevelError:
		return 3
	case l >= slog.LevelWarn:
		return 4
	case l >= slog.LevelInfo:
		return 6
	}
	return 7
}
