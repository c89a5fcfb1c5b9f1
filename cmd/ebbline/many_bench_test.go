package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
)

// many is how the batches of the benchmark are named; all names are of one
// length, so that one snapshot can be made theirs.
const (
	manyID    = "many-00000"
	manyFloat = "float-00000"
	quarter   = 15 * time.Minute
	// spreadFor is how long a spread brewery is watched, real time.
	spreadFor = 3 * time.Minute
	// settledFor is how long beliefs must not be older than it before that.
	settledFor = 30 * time.Second
)

// BenchmarkManyBatches takes up running batches two days after pitch from their
// snapshots; a message of two readings a minute comes of each. In a *spread*
// brewery they were pitched at any moment of the quarter of an hour, and three
// real minutes are watched once it has settled. In a *burst* all were pitched in
// one minute, so that all are looked at in the same moment, the worst case, and so
// is one more whose crash falls due then; a quarter of an hour of their time is
// run. What it tells:
//
//	start-s      until the daemon is ready: the page answers, readings are taken
//	all-s        until each batch was looked at once
//	settled-s    spread: until what fell due meanwhile was looked at, too
//	cpu-%        of one core, in real time
//	age-p99-s    how old the belief is, from a look's due moment to its end, of 99 in 100 batches
//	ring-s       burst: from the moment at which all are due to the webhook's crash-now
//	MB           resident memory, and what it grew by for each batch
//	parked-MB    what lies in the file of what is put aside
//
//	go test -run '^$' -bench 'ManyBatches/(burst|spread)/1000$' -benchtime 1x -timeout 2h ./cmd/ebbline
func BenchmarkManyBatches(b *testing.B) {
	for kind, sizes := range map[string][]int{"burst": {1, 10, 100, 1000, 10000}, "spread": {100, 1000, 10000}} {
		for _, n := range sizes {
			b.Run(fmt.Sprint(kind, "/", n), func(b *testing.B) {
				for b.Loop() {
					m := newMany(b, n, kind == "burst")
					if m.begin(); m.together {
						m.burst()
					} else {
						m.minutes()
					}
					m.end()
				}
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

// seed is one batch half-way, of which others are made.
type seed struct {
	text  string // batch file
	watch []byte // snapshot
	said  int64
	now   time.Time
	next  captureLine // what comes after it
	rang  time.Time   // when it rang, if it was run so far
	open  map[string]alert.Event
}

// newSeed is capture plain-02, pitched so much later and run for so long; 0:
// until it rings.
func newSeed(b *testing.B, later, until time.Duration) (s seed) {
	dir := filepath.Join(captures, "plain-02")
	raw, err := os.ReadFile(filepath.Join(dir, "batch.yaml"))
	require.NoError(b, err)
	pitched := "pitched_at: " + manyPitch().Format(time.RFC3339)
	require.Contains(b, string(raw), pitched)
	s.text = strings.NewReplacer("float-1", manyFloat, "name: tank 900002", "name: "+manyID+"\n  id: "+manyID,
		pitched, "pitched_at: "+manyPitch().Add(later).Format(time.RFC3339)).Replace(string(raw))
	file, err := config.ParseBatch("batch.yaml", []byte(s.text))
	require.NoError(b, err)
	m, err := ingest.Compile(file.Sensors)
	require.NoError(b, err)
	w, err := newWatch(file, alert.Options{Location: time.UTC})
	require.NoError(b, err)
	s.open = map[string]alert.Event{}
	for _, l := range captureLines(b, dir) {
		l.Time = l.Time.Add(later)
		s.next = l
		if until > 0 && l.Time.Sub(file.Batch.PitchedAt) > until || until == 0 && !s.rang.IsZero() {
			break
		}
		readings, _ := m.Decode(ingest.Message{Topic: "cellar/" + manyFloat, Payload: l.Payload, Arrived: l.Time})
		for _, r := range readings {
			said := w.Observe(l.Time, observation(r))
			if i := slices.IndexFunc(said, func(e alert.Event) bool { return e.Alert != nil && e.Alert.Kind == alert.CrashNow }); i >= 0 {
				s.rang = said[i].Time
			}
			s.said += int64(len(said))
			for _, e := range said {
				switch {
				case e.Alert != nil:
					s.open[alertID("", e.Alert.Kind, e.Alert.N)] = e
				case e.Resolved != nil:
					delete(s.open, alertID("", e.Resolved.Kind, e.Resolved.N))
				}
			}
		}
		s.now = l.Time
	}
	s.watch, err = w.Snapshot()
	require.NoError(b, err)
	return s
}

func manyPitch() time.Time { return time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC) }

func manyNames(i int) (id, float string) {
	return fmt.Sprintf("many-%05d", i), fmt.Sprintf("float-%05d", i)
}

// store puts a batch like it into a journal, as the i-th.
func (s *seed) store(b *testing.B, j *journal.Journal, i int) {
	id, float := manyNames(i)
	watch := bytes.ReplaceAll(bytes.ReplaceAll(s.watch, []byte(manyID), []byte(id)), []byte(manyFloat), []byte(float))
	file, err := config.ParseBatch("batch.yaml", []byte(strings.NewReplacer(manyID, id, manyFloat, float).Replace(s.text)))
	require.NoError(b, err)
	created, err := j.CreateBatch(b.Context(), journal.Batch{ID: id, Name: id, Spec: file.Raw, Sensors: file.Batch.Sensors, Started: file.Batch.PitchedAt})
	require.NoError(b, err)
	require.True(b, created)
	saved, err := savedWatch{Said: 2 * s.said, Sensors: file.Batch.Sensors, Packed: deflate}.with(watch)
	require.NoError(b, err)
	var open []journal.Alert
	for name, e := range s.open {
		open = append(open, journal.Alert{
			ID: id + name, Batch: id, Kind: string(e.Alert.Kind), Severity: string(e.Alert.Severity), Title: e.Alert.Title, Message: e.Alert.Message,
			Raised: e.Time, Recorded: e.Time, Acknowledged: &s.now, Token: id + name, Body: []byte("{}"),
		})
	}
	require.NoError(b, j.Say(b.Context(), id, 0, saved, nil, open, nil, s.now, nil))
}

// manyRun is a daemon with many batches.
type manyRun struct {
	*daemon
	b        *testing.B
	n        int
	together bool
	dir      string
	phone    *sink
	ringing  *seed // together: the one whose crash falls due, the n-th
	now      time.Time
	stepped  *steppedClock // together: its clock
	empty    float64       // MB
	looked   map[string]time.Time
	begun    time.Time // of the daemon, real time
	told     int       // messages of watchFor
}

// laterClock is our clock, moved.
type laterClock time.Duration

func (c laterClock) Now() time.Time { return time.Now().Add(time.Duration(c)) }

// newMany fills a record.
func newMany(b *testing.B, n int, together bool) *manyRun {
	m := &manyRun{b: b, n: n, together: together, dir: b.TempDir(), phone: newSink(b), looked: map[string]time.Time{}}
	seeds := []seed{newSeed(b, 0, 48*time.Hour)}
	m.now = seeds[0].now
	if !together {
		for k := 1; k < 45; k++ {
			seeds = append(seeds, newSeed(b, time.Duration(k)*20*time.Second, 48*time.Hour))
		}
		m.now = m.now.Add(quarter)
	}
	j, err := journal.Open(m.dir, journal.Options{})
	require.NoError(b, err)
	for i := range n {
		seeds[i%len(seeds)].store(b, j, i)
	}
	if together { // it rings at the look after the next
		rings := newSeed(b, 0, 0).rang
		require.False(b, rings.IsZero())
		due := newSeed(b, m.now.Add(quarter+time.Minute).Sub(rings), rings.Add(-quarter-time.Minute).Sub(manyPitch()))
		due.store(b, j, n)
		m.ringing = &due
	}
	require.NoError(b, j.Close())
	debug.FreeOSMemory()
	m.empty, err = residentMB()
	require.NoError(b, err)
	return m
}

// all is how many batches run.
func (m *manyRun) all() int {
	if m.together {
		return m.n + 1
	}
	return m.n
}

// begin starts the daemon and waits for the first look of each batch.
func (m *manyRun) begin() {
	clock := Clock(laterClock(-time.Since(m.now)))
	if m.together {
		m.stepped = &steppedClock{}
		m.stepped.set(m.now.Add(90 * time.Second)) // looks lie a minute behind the quarter
		clock = m.stepped
	}
	cfg := &config.Config{
		Data: m.dir, MQTT: config.MQTT{Listen: "127.0.0.1:0"}, Page: config.Page{Listen: "127.0.0.1:0"},
		Notify: []config.Channel{{Name: "phone", Kind: "webhook", URL: m.phone.URL + "/hook"}},
	}
	m.begun = time.Now()
	var err error
	m.daemon, err = startDaemon(m.b.Context(), cfg, clock, false, slog.New(slog.DiscardHandler))
	require.NoError(m.b, err)
	m.b.ReportMetric(time.Since(m.begun).Seconds(), "start-s")
	m.firstLooks()
	m.b.ReportMetric(time.Since(m.begun).Seconds(), "all-s")
}

// end tells of the memory and stops.
func (m *manyRun) end() {
	resident, err := residentMB()
	require.NoError(m.b, err)
	m.b.ReportMetric(resident, "MB")
	m.b.ReportMetric((resident-m.empty)/float64(m.all()), "MB/batch")
	m.b.ReportMetric(float64(m.keeper.shelf.end)/1e6, "parked-MB")
	require.NoError(m.b, m.keeper.faulty())
	require.NoError(m.b, m.Close())
}

// tell hands over a message of each of these batches and waits until all are on disk.
func (m *manyRun) tell(from, to int, at time.Time) {
	var waits []broker.Settle
	for i := from; i < to; i++ {
		_, float := manyNames(i)
		waits = append(waits, m.publish(float, fmt.Appendf(nil, `{"g":%.4f,"t":19.6}`, 1.0101+float64((i+at.Minute())%3)/10000), at))
	}
	for _, wait := range waits {
		require.NoError(m.b, wait(m.b.Context()))
	}
}

func (m *manyRun) publish(float string, payload []byte, at time.Time) broker.Settle {
	wait, err := m.take(m.b.Context(), ingest.Message{Topic: "cellar/" + float, Payload: payload, Arrived: at})
	require.NoError(m.b, err)
	return wait
}

// firstLooks waits until each batch has had its first turn.
func (m *manyRun) firstLooks() {
	m.b.Helper()
	for begun := time.Now(); len(m.looked) < m.all(); {
		time.Sleep(20 * time.Millisecond)
		m.newLooks()
		require.Less(m.b, time.Since(begun), 20*time.Minute, "%d of %d looked at", len(m.looked), m.all())
	}
}

// newLooks are the ages of the beliefs that are newer than when it was last asked.
func (m *manyRun) newLooks() (ages []time.Duration) {
	m.keeper.mu.Lock()
	defer m.keeper.mu.Unlock()
	now := m.clock.Now()
	for id := range m.keeper.state {
		st := m.keeper.state[id]
		before := m.looked[id]
		if st.Now.Equal(before) || !m.keeper.live[id] {
			continue
		}
		if m.looked[id] = st.Now; !before.IsZero() {
			ages = append(ages, now.Sub(st.Now))
		}
	}
	return ages
}

func (m *manyRun) tellAges(ages []time.Duration) {
	slices.Sort(ages)
	m.b.ReportMetric(ages[len(ages)*99/100].Seconds(), "age-p99-s")
	m.b.ReportMetric(ages[len(ages)-1].Seconds(), "age-max-s")
}

// burst gives a quarter of an hour's messages, then lets the look behind it come.
// The stepped clock stands still meanwhile, so the age is told by ours.
func (m *manyRun) burst() {
	before := cpu(m.b)
	begun := m.clock.Now()
	for k := range 15 {
		at := begun.Add(time.Duration(k) * 56 * time.Second)
		m.stepped.set(at)
		m.tell(0, m.n, at)
	}
	_, float := manyNames(m.n)
	require.NoError(m.b, m.publish(float, m.ringing.next.Payload, m.ringing.next.Time)(m.b.Context()))
	m.newLooks()
	require.Empty(m.b, m.phone.of("crash-now"))
	due := time.Now()
	m.stepped.set(begun.Add(quarter))
	m.keeper.poke()
	var ages []time.Duration
	for len(ages) < m.all() {
		time.Sleep(5 * time.Millisecond)
		for range m.newLooks() {
			ages = append(ages, time.Since(due))
		}
		require.Less(m.b, time.Since(due), 20*time.Minute, "%d of %d looked at", len(ages), m.all())
	}
	m.b.ReportMetric(100*(cpu(m.b)-before).Seconds()/quarter.Seconds(), "cpu-%")
	m.tellAges(ages)
	require.Eventually(m.b, func() bool { return len(m.phone.of("crash-now")) > 0 }, time.Minute, time.Millisecond)
	m.b.ReportMetric(m.phone.of("crash-now")[0].At.Sub(due).Seconds(), "ring-s")
}

// minutes is a stretch of real time, once what fell due during the start has been
// looked at.
func (m *manyRun) minutes() {
	for {
		ages := m.watchFor(settledFor)
		if len(ages) == 0 || slices.Max(ages) < settledFor {
			break
		}
	}
	m.b.ReportMetric(time.Since(m.begun).Seconds(), "settled-s")
	before := cpu(m.b)
	ages := m.watchFor(spreadFor)
	m.b.ReportMetric(100*(cpu(m.b)-before).Seconds()/spreadFor.Seconds(), "cpu-%")
	if len(ages) > 0 {
		m.tellAges(ages)
	}
}

// watchFor gives each batch a message a minute, the batches by turns, and tells
// how old beliefs were when they came.
func (m *manyRun) watchFor(long time.Duration) (ages []time.Duration) {
	given, begun := 0, time.Now()
	for time.Since(begun) < long {
		time.Sleep(100 * time.Millisecond)
		until := int(time.Since(begun).Seconds() * float64(m.n) / 60)
		for ; given < until; given++ {
			k := (m.told + given) % m.n
			m.tell(k, k+1, m.clock.Now())
		}
		ages = append(ages, m.newLooks()...)
	}
	m.told += given
	return ages
}

// cpu is what this process has used, in user and system.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
