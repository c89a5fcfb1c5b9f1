package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
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
	// manyLooks is how many quarters of an hour are run.
	manyLooks = 2
	quarter   = 15 * time.Minute
)

// BenchmarkManyBatches takes up running batches two days after pitch from their
// snapshots and runs two quarters of an hour of their time, a message of two
// readings a minute each. All were pitched in the same minute, so all are looked
// at in the same moment: the worst case. What it tells:
//
//	start-s      from opening the journal to every batch taken up
//	cpu-%        of one core, that those quarters of an hour would take in real time
//	age-p99-s    how old the belief is, from a look's due moment to its end, of 99 in 100 batches
//	age-max-s    the same of the last batch
//	MB           resident memory, and what it grew by for each batch
//
//	go test -run '^$' -bench ManyBatches -benchtime 1x ./cmd/ebbline
func BenchmarkManyBatches(b *testing.B) {
	seed := manySeed(b)
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				seed.run(b, n)
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}

// seed is one batch half-way, of which others are made.
type seed struct {
	text  string // batch file
	watch []byte // snapshot
	said  int64
	now   time.Time
}

func manySeed(b *testing.B) seed {
	dir := filepath.Join(captures, "plain-02")
	raw, err := os.ReadFile(filepath.Join(dir, "batch.yaml"))
	require.NoError(b, err)
	text := strings.ReplaceAll(string(raw), "float-1", manyFloat)
	text = strings.Replace(text, "  name: tank 900002\n", "  name: "+manyID+"\n  id: "+manyID+"\n", 1)
	file, err := config.ParseBatch("batch.yaml", []byte(text))
	require.NoError(b, err)
	m, err := ingest.Compile(file.Sensors)
	require.NoError(b, err)
	w, err := newWatch(file, alert.Options{Location: time.UTC})
	require.NoError(b, err)
	s := seed{text: text}
	for _, l := range captureLines(b, dir) {
		if l.Time.After(file.Batch.PitchedAt.Add(48 * time.Hour)) {
			break
		}
		readings, _ := m.Decode(ingest.Message{Topic: "cellar/" + manyFloat, Payload: l.Payload, Arrived: l.Time})
		for _, r := range readings {
			s.said += int64(len(w.Observe(l.Time, observation(r))))
		}
		s.now = l.Time
	}
	s.watch, err = w.Snapshot()
	require.NoError(b, err)
	return s
}

// as is the seed's snapshot and batch file under the i-th names.
func (s seed) as(i int) (watch []byte, text string) {
	id, float := fmt.Sprintf("many-%05d", i), fmt.Sprintf("float-%05d", i)
	watch = bytes.ReplaceAll(bytes.ReplaceAll(s.watch, []byte(manyID), []byte(id)), []byte(manyFloat), []byte(float))
	return watch, strings.ReplaceAll(strings.ReplaceAll(s.text, manyID, id), manyFloat, float)
}

// store puts n such batches into a journal.
func (s seed) store(b *testing.B, dir string, n int) {
	j, err := journal.Open(dir, journal.Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, j.Close()) }()
	for i := range n {
		watch, text := s.as(i)
		file, err := config.ParseBatch("batch.yaml", []byte(text))
		require.NoError(b, err)
		created, err := j.CreateBatch(b.Context(), journal.Batch{ID: file.Batch.ID, Name: file.Batch.Name, Spec: file.Raw, Sensors: file.Batch.Sensors, Started: file.Batch.PitchedAt})
		require.NoError(b, err)
		require.True(b, created)
		saved, err := json.Marshal(savedWatch{Said: 2 * s.said, Watch: watch, Sensors: file.Batch.Sensors})
		require.NoError(b, err)
		require.NoError(b, j.Say(b.Context(), file.Batch.ID, 0, saved, nil, nil, nil, s.now, nil))
	}
}

func (s seed) run(b *testing.B, n int) {
	dir := b.TempDir()
	s.store(b, dir, n)
	empty, err := residentMB()
	require.NoError(b, err)
	clock := &steppedClock{}
	clock.set(s.now)
	cfg := &config.Config{Data: dir, MQTT: config.MQTT{Listen: "127.0.0.1:0"}, Page: config.Page{Listen: "127.0.0.1:0"}}
	begun := time.Now()
	d, err := startDaemon(b.Context(), cfg, clock, true, slog.New(slog.DiscardHandler))
	require.NoError(b, err)
	b.ReportMetric(time.Since(begun).Seconds(), "start-s")
	var ages []time.Duration
	clock.set(s.now.Add(90 * time.Second)) // looks lie a minute behind the quarter
	d.keeper.poke()
	lookTimes(b, d, n)
	before := cpu(b)
	for range manyLooks {
		giveQuarter(b, d, clock, n)
		ages = append(ages, lookTimes(b, d, n)...)
	}
	used := cpu(b) - before
	slices.Sort(ages)
	resident, err := residentMB()
	require.NoError(b, err)
	require.NoError(b, d.Close())
	b.ReportMetric(100*used.Seconds()/(manyLooks*quarter).Seconds(), "cpu-%")
	b.ReportMetric(ages[len(ages)*99/100].Seconds(), "age-p99-s")
	b.ReportMetric(ages[len(ages)-1].Seconds(), "age-max-s")
	b.ReportMetric(resident, "MB")
	b.ReportMetric((resident-empty)/float64(n), "MB/batch")
}

// giveQuarter hands over what comes in a quarter of an hour, then lets the clock
// reach the look behind it.
func giveQuarter(b *testing.B, d *daemon, clock *steppedClock, n int) {
	b.Helper()
	begun := clock.Now()
	for k := range 15 {
		at := begun.Add(time.Duration(k) * 56 * time.Second)
		var last broker.Settle
		for i := range n {
			payload := fmt.Appendf(nil, `{"g":%.4f,"t":19.6}`, 1.0101+float64((i+k)%3)/10000)
			wait, err := d.take(b.Context(), ingest.Message{Topic: fmt.Sprintf("cellar/float-%05d", i), Payload: payload, Arrived: at})
			require.NoError(b, err)
			last = wait
		}
		require.NoError(b, last(b.Context()))
		d.keeper.poke()
		clock.set(at)
	}
	clock.set(begun.Add(quarter))
	d.keeper.poke()
}

// lookTimes waits until every batch has been looked at and says how long each
// took.
func lookTimes(b *testing.B, d *daemon, n int) (all []time.Duration) {
	b.Helper()
	begun, due := time.Now(), d.clock.Now().Add(-quarter)
	seen := map[string]bool{}
	for len(seen) < n {
		for _, st := range d.keeper.states() {
			if !seen[st.id] && st.state.Now.After(due) {
				seen[st.id] = true
				all = append(all, time.Since(begun))
			}
		}
		time.Sleep(time.Millisecond)
		require.Less(b, time.Since(begun), 10*time.Minute, "%d of %d looked at", len(seen), n)
	}
	return all
}

// cpu is what this process has used, in user and system.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
