// Package mirror copies the journal to a server that speaks the InfluxDB v2
// write API (InfluxDB, VictoriaMetrics and others), by a cursor kept in the
// journal: while the server is away everything waits there. After a kill the last
// minutes are sent again. It decides nothing and nothing
// depends on it.
//
// Names are fixed; every field is a float and stays one.
//
//	reading     tags sensor, quantity; field value (SG, °C, degrees, pH, V: the
//	            quantity's unit), at the reading's own time
//	estimate    tag batch; fields gravity, gravity_sd (SG), abv, abv_sd (% ABV),
//	            temperature (°C, absent if never measured)
//	projection  tag batch; fields crosses_probability (0..1), crosses_p10,
//	            crosses_p50, crosses_p90, crash_by (Unix seconds, absent where
//	            there is none), abv_if_left_p10, _p50, _p90,
//	            abv_if_crashed_now_p10, _p50, _p90 (% ABV)
//	alert       tag batch; one field a kind, dashes as underscores (crash_now),
//	            whose value is the severity: 1 info, 2 warning, 3 urgent
//
// No tag comes from a payload, and at most Config.MaxSeries sensors' quantities
// are copied. Points are written with microseconds. One that was sent twice,
// because the answer was lost, replaces itself in InfluxDB; VictoriaMetrics
// needs -dedup.minScrapeInterval=1ms for that.
package mirror

import (
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"sync"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"

	"ebbline/ingest/journal"
)

// Config says where to and how; zero values mean the defaults given.
type Config struct {
	URL    string // base of the server, http or https
	Org    string
	Bucket string
	Token  string // a secret; empty for a server without passwords
	// Renew reads the token again after a failure, as it may have been changed; nil, or
	// an error: it stays.
	Renew func() (string, error)
	// Chunk is how many points go into one request; 1000.
	Chunk int
	// MaxSeries bounds how many sensors' quantities are copied; 10,000.
	MaxSeries int
	// RetryFirst is the wait after a failure, doubled up to RetryMost; 1 s, 1 min.
	RetryFirst, RetryMost time.Duration
	// Timeout of one request; 20 s.
	Timeout time.Duration
	Now     func() time.Time // nil: the machine's clock; for Status only
}

// Status is how the mirror is doing.
type Status struct {
	// Problem says in plain words why nothing is accepted; empty if all is well.
	Problem string
	// Since is when that last changed.
	Since time.Time
	// Written and Skipped count points since the start: accepted, and refused
	// for good (each was left out; the journal has it).
	Written, Skipped int64
	// LastSkip says which point was skipped last, and why.
	LastSkip string
	// Behind is how many readings and entries the journal has that were not
	// copied yet, about.
	Behind int64
	// LastWritten is when the server last accepted something; zero: not yet.
	LastWritten time.Time
}

// Mirror copies one journal to one bucket.
type Mirror struct {
	cfg     Config
	where   string // the URL without secrets
	journal *journal.Journal
	log     *slog.Logger
	series  map[seriesKey]bool // Run's alone, as the next three
	places  map[string]int64   // by cursor, up to where all is dealt with
	noted   map[string]int64   // the same, as the journal has it
	notedAt time.Time

	mu     sync.Mutex
	status Status
	seq    int64
}

// New prepares a mirror; Run does the work. A Config that Validate refuses is
// told by Status.
func New(cfg Config, j *journal.Journal, log *slog.Logger) *Mirror {
	cfg.Chunk = cmp.Or(cfg.Chunk, 1000)
	cfg.MaxSeries = cmp.Or(cfg.MaxSeries, 10_000)
	cfg.RetryFirst = cmp.Or(cfg.RetryFirst, time.Second)
	cfg.RetryMost = cmp.Or(cfg.RetryMost, time.Minute)
	cfg.Timeout = cmp.Or(cfg.Timeout, 20*time.Second)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	m := &Mirror{cfg: cfg, journal: j, log: log, series: map[seriesKey]bool{}, places: map[string]int64{}, noted: map[string]int64{}}
	if u, err := url.Parse(cfg.URL); err == nil {
		m.where = u.Redacted()
	}
	m.status.Since = cfg.Now()
	return m
}

// Validate says what is wrong with c, naming the field.
func (c Config) Validate() error {
	u, err := url.Parse(c.URL)
	switch {
	case err != nil:
		return fmt.Errorf("url cannot be read: write it as http://host:port")
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return fmt.Errorf("url %q must be http://host:port or https://host:port", u.Redacted())
	case c.Bucket == "":
		return fmt.Errorf("bucket must be named")
	case c.Chunk < 0 || c.MaxSeries < 0 || c.RetryFirst < 0 || c.RetryMost < 0 || c.Timeout < 0:
		return fmt.Errorf("chunk, series, waits and timeout must not be negative")
	}
	return nil
}

// Status may be asked at any time.
func (m *Mirror) Status() Status {
	last := m.journal.Stats().LastSeq
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.status
	s.Behind = max(0, last-m.seq)
	return s
}

// Run copies until ctx ends, and waits for the journal when it has caught up.
func (m *Mirror) Run(ctx context.Context) {
	if err := m.cfg.Validate(); err != nil {
		m.fault(fmt.Errorf("its configuration is wrong: %w", err))
		return
	}
	client := m.client()
	defer func() { client.Close() }()
	defer m.noteLast(ctx)
	changes, stop := m.journal.Changes()
	defer stop()
	wait := m.cfg.RetryFirst
	for {
		err := m.copyAll(ctx, client.WriteAPIBlocking(m.cfg.Org, m.cfg.Bucket))
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			wait = m.cfg.RetryFirst
			select {
			case <-ctx.Done():
				return
			case _, open := <-changes:
				if !open {
					return // the journal is closed
				}
			}
			continue
		}
		m.fault(err)
		if !sleep(ctx, max(wait, min(askedWait(err), time.Hour))) {
			return
		}
		wait = min(2*wait, m.cfg.RetryMost)
		if m.renewed() {
			client.Close()
			client = m.client()
		}
	}
}

func (m *Mirror) client() influxdb2.Client {
	o := influxdb2.DefaultOptions().SetPrecision(time.Microsecond).SetLogLevel(0).
		SetHTTPRequestTimeout(uint(max(1, m.cfg.Timeout.Seconds()))).SetApplicationName("ebbline")
	return influxdb2.NewClientWithOptions(strings.TrimSuffix(m.cfg.URL, "/"), m.cfg.Token, o)
}

// renewed reports whether the token is another one now.
func (m *Mirror) renewed() bool {
	if m.cfg.Renew == nil {
		return false
	}
	token, err := m.cfg.Renew()
	if err != nil || token == "" || token == m.cfg.Token { // an empty file is being written
		return false
	}
	m.cfg.Token = token
	return true
}

func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// copyAll copies what the journal has beyond the cursors.
func (m *Mirror) copyAll(ctx context.Context, out api.WriteAPIBlocking) error {
	for _, f := range m.followers() {
		for {
			more, err := m.copyChunk(ctx, f, out)
			if err != nil {
				return err
			}
			if !more {
				break
			}
		}
	}
	m.well()
	return nil
}

func (m *Mirror) copyChunk(ctx context.Context, f follower, out api.WriteAPIBlocking) (more bool, err error) {
	at, err := m.place(ctx, f.cursor)
	if err != nil {
		return false, err
	}
	m.copied(f, at, 0, nil)
	items, err := f.read(ctx, at)
	if err != nil || len(items) == 0 {
		return false, err
	}
	points, skips := sortOut(items)
	refused, err := send(ctx, out, points)
	if err != nil {
		return false, err
	}
	last := items[len(items)-1].place
	m.places[f.cursor] = last
	m.copied(f, last, len(points)-len(refused), append(skips, refused...))
	if more = len(items) == m.cfg.Chunk; more || m.cfg.Now().Sub(m.notedAt) >= noteEvery {
		err = m.note(ctx)
	}
	return more, err
}

// noteEvery is how long a place may stay unwritten: a commit for each reading would
// double what the record writes. Killed meanwhile, the mirror sends so much again.
const noteEvery = 10 * time.Minute

// place is up to where a follower has dealt with all.
func (m *Mirror) place(ctx context.Context, cursor string) (int64, error) {
	at, ok := m.places[cursor]
	if ok {
		return at, nil
	}
	at, err := m.journal.Cursor(ctx, cursor)
	if err == nil {
		m.places[cursor], m.noted[cursor] = at, at
	}
	return at, err
}

// note writes the places down.
func (m *Mirror) note(ctx context.Context) error {
	for cursor, at := range m.places {
		if at == m.noted[cursor] {
			continue
		}
		if err := m.journal.SetCursor(ctx, cursor, at); err != nil {
			return err
		}
		m.noted[cursor] = at
	}
	m.notedAt = m.cfg.Now()
	return nil
}

// noteLast is note for the end of Run.
func (m *Mirror) noteLast(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	if err := m.note(ctx); err != nil {
		m.log.Info("up to where the mirror has copied is not written down; the last minutes are sent again", "error", err)
	}
}

// copied notes that all up to a place was dealt with.
func (m *Mirror) copied(f follower, upTo int64, accepted int, skips []skip) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if f.readings {
		m.seq = upTo
	}
	if accepted > 0 {
		m.status.Written += int64(accepted)
		m.status.LastWritten = m.cfg.Now()
	}
	if len(skips) == 0 {
		return
	}
	last := skips[len(skips)-1]
	m.status.Skipped += int64(len(skips))
	m.status.LastSkip = m.redact(last.which + ": " + last.why)
	m.log.Warn("mirror skips points", "count", len(skips), "last", m.status.LastSkip)
}

// Copied is the Seq up to which readings were dealt with for sure.
func (m *Mirror) Copied(ctx context.Context) (int64, error) {
	return m.journal.Cursor(ctx, m.cursorName("readings"))
}

// cursorName is one for each target, so that another bucket is filled from the
// beginning; without secrets.
func (m *Mirror) cursorName(what string) string {
	target := sha256.Sum256([]byte(m.where + "\x00" + m.cfg.Org + "\x00" + m.cfg.Bucket))
	return fmt.Sprintf("mirror/%x/%s", target[:8], what)
}

func (m *Mirror) well() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.status.Problem != "" {
		m.status.Problem, m.status.Since = "", m.cfg.Now()
		m.log.Info("mirror accepts points again", "url", m.where)
	}
}

func (m *Mirror) fault(err error) {
	problem := fmt.Sprintf("The mirror %s takes nothing: %s. Readings wait in the journal and are tried again.", m.where, m.redact(advise(err)))
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.status.Problem == "" {
		m.status.Since = m.cfg.Now()
		m.log.Warn("mirror takes nothing", "url", m.where, "problem", problem)
	}
	m.status.Problem = problem
}

func (m *Mirror) redact(s string) string {
	if m.cfg.Token == "" {
		return s
	}
	return strings.ReplaceAll(s, m.cfg.Token, "(token)")
}
