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
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/deploy/quicktest"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// watchroom is a keeper whose clock and rounds the test moves.
type watchroom struct {
	*keeper
	t     testing.TB
	clock *steppedClock
	file  config.BatchFile // of the first batch

	sensors []ingest.Sensor
	mapper  *ingest.Mapper
}

// newWatchroom runs the batch of a file, with so many watches in memory.
func newWatchroom(t testing.TB, batch string, most int) *watchroom {
	t.Helper()
	w := &watchroom{t: t, clock: &steppedClock{}}
	var err error
	w.file, err = config.LoadBatch(batch)
	require.NoError(t, err)
	w.clock.set(w.file.Batch.PitchedAt)
	dir := t.TempDir()
	w.keeper = newKeeper(openJournal(t, dir), w.clock, dir, nil, slog.New(slog.DiscardHandler))
	w.most = most
	t.Cleanup(func() { require.NoError(t, w.shelf.Close()) })
	w.begin(w.file)
	return w
}

func (w *watchroom) begin(file config.BatchFile) {
	w.t.Helper()
	b := journal.Batch{ID: file.Batch.ID, Name: file.Batch.Name, Spec: file.Raw, Sensors: file.Batch.Sensors, Started: file.Batch.PitchedAt}
	_, err := w.journal.CreateBatch(w.t.Context(), b)
	require.NoError(w.t, err)
	require.NoError(w.t, w.open(w.t.Context(), b))
	w.sensors = append(w.sensors, file.Sensors...)
	w.mapper, err = ingest.Compile(w.sensors)
	require.NoError(w.t, err)
}

// at lets the clock come to a moment and gives turns until nobody wants one.
func (w *watchroom) at(now time.Time) {
	w.t.Helper()
	w.clock.set(now)
	for range 100 {
		if len(w.turns()) == 0 {
			require.NoError(w.t, w.faulty())
			return
		}
		w.round(w.t.Context())
	}
	w.t.Fatal("turns without end")
}

// hear takes a message of every float in, and lets some minutes pass.
func (w *watchroom) hear(l captureLine) {
	w.t.Helper()
	w.clock.set(l.Time)
	for _, topic := range w.mapper.Filters() {
		readings, _ := w.mapper.Decode(ingest.Message{Topic: topic, Payload: l.Payload, Arrived: l.Time})
		if len(readings) > 0 {
			require.NoError(w.t, w.journal.Record(w.t.Context(), readings, nil))
			w.arrived(readings)
		}
	}
	for _, after := range []time.Duration{0, settle, 70 * time.Second, 5 * time.Minute} {
		w.at(l.Time.Add(after))
	}
}

// said are the lines of the contract that stand in the journal.
func (w *watchroom) said(id string) (out []string) {
	w.t.Helper()
	events, err := w.journal.Events(w.t.Context(), id, []string{"estimate", "projection", "alert"}, time.Time{}, time.Time{}, 0, false)
	require.NoError(w.t, err)
	for _, e := range events {
		out = append(out, string(e.Body))
	}
	return out
}

func (w *watchroom) sole() *kept { return w.kept[w.file.Batch.ID] }

// halting is a capture whose device is late with every seventh message, by eight
// minutes, behind the look that it belongs to.
func halting(t testing.TB, name string, n int) (batch string, lines []captureLine) {
	t.Helper()
	dir := filepath.Join(captures, name)
	lines = captureLines(t, dir)[:n]
	for i, text := range timed(t, lines) {
		lines[i].Payload = []byte(text)
		if i%7 == 3 {
			lines[i].Time = lines[i].Time.Add(8 * time.Minute)
		}
	}
	return timedBatch(t, dir), lines
}

// Law: parked after every turn, through late readings and a damaged shelf, a
// daemon's watch says what replay says.
func TestLiveEqualsReplayWithEverythingParked(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	for name, n := range map[string]int{"plain-02": 100, "faults-02": 60} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			batch, lines := halting(t, name, n)
			w := newWatchroom(t, batch, 0)
			for i, l := range lines {
				w.hear(l)
				require.Nil(t, w.sole().watch)
				require.NotNil(t, w.sole().lies)
				if i == 40 { // as if the disk had changed it
					_, err := w.shelf.file.WriteAt(bytes.Repeat([]byte("x"), int(w.shelf.end)), 0)
					require.NoError(t, err)
					w.clock.set(l.Time.Add(10 * time.Minute))
					w.entered(w.file.Batch.ID)
					w.round(t.Context())
					require.ErrorContains(t, w.faulty(), "changed on the disk")
				}
			}
			var in, want strings.Builder
			for _, l := range lines {
				text, err := json.Marshal(l)
				require.NoError(t, err)
				fmt.Fprintf(&in, "%s\n", text)
			}
			require.Equal(t, exitDone, run([]string{"replay", "--batch", batch, "-"}, strings.NewReader(in.String()), &want, t.Output()))
			got := w.said(w.file.Batch.ID)
			require.Greater(t, len(got), n)
			all := strings.Split(strings.TrimSpace(want.String()), "\n")
			all = slices.DeleteFunc(all, func(l string) bool { return strings.Contains(l, `"type":"rejected"`) })
			requireSameLines(t, all, got[:min(len(got), len(all))])
			require.LessOrEqual(t, len(got), len(all)+3, "the clock went on by minutes after the last message")
			require.LessOrEqual(t, len(w.shelf.parts), 8, "what is no longer needed does not stay on the shelf")
		})
	}
}

// A watch that lies on the shelf is not taken up for readings that count at its
// next look only; it is for one that ends a silence, for one of a record from the
// past, and for whoever enters something or asks.
func TestWhatTakesAParkedWatchUp(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	batch, lines := halting(t, "plain-02", 20)
	parked, awake := newWatchroom(t, batch, 0), newWatchroom(t, batch, mostAwake)
	for _, l := range lines {
		parked.hear(l)
		awake.hear(l)
	}
	id, now := parked.file.Batch.ID, lines[19].Time.Add(6*time.Minute)
	reading := func(at, arrived time.Time) []ingest.Reading {
		return []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: arrived, Value: 1.0101}}
	}
	for _, w := range []*watchroom{parked, awake} {
		w.at(now)
		fresh := reading(now, now)
		require.NoError(t, w.journal.Record(t.Context(), fresh, nil))
		w.arrived(fresh)
	}
	require.Empty(t, parked.turns(), "it waits for its look")
	require.Len(t, awake.turns(), 1, "who is in memory reads it at once, as ever")
	awake.round(t.Context())

	answers := map[*watchroom]*projection.Estimator{}
	for _, w := range []*watchroom{parked, awake} {
		w.answer(t.Context(), question{id, func(r *kept) { answers[w], _ = r.watch.Belief() }, make(chan struct{})})
	}
	require.Equal(t, answers[awake].Estimate(), answers[parked].Estimate(), "who asks is told of the reading too")
	require.Nil(t, parked.sole().watch)
	require.NotNil(t, awake.sole().watch)

	parked.arrived(reading(now.Add(-time.Hour), now))
	require.Len(t, parked.turns(), 1)
	parked.at(now)
	parked.entered(id)
	require.Len(t, parked.turns(), 1)
	parked.at(now)
	parked.sleep(&alert.Quiet{From: 22 * 60, To: 6 * 60})
	require.Len(t, parked.turns(), 1)
	parked.at(now)
	require.Empty(t, parked.turns())
	for h := range 4 {
		parked.at(now.Add(time.Duration(h+1) * time.Hour))
	}
	st, _, _ := parked.stateOf(id)
	require.True(t, st.Silent)
	now = parked.clock.Now()
	back := reading(now, now)
	require.NoError(t, parked.journal.Record(t.Context(), back, nil))
	parked.arrived(back)
	parked.at(now)
	st, _, _ = parked.stateOf(id)
	require.False(t, st.Silent, "a reading ends the silence at once")
	require.Nil(t, parked.sole().watch)
}

// siblings are so many batches beside those that run, all pitched in one minute
// and with a float each.
func (w *watchroom) siblings(batch string, n int) (ids []string) {
	w.t.Helper()
	text, err := os.ReadFile(batch)
	require.NoError(w.t, err)
	for range n {
		id, float := fmt.Sprintf("sibling-%03d", len(w.sensors)), fmt.Sprintf("float-%d", len(w.sensors)+1)
		own := strings.ReplaceAll(string(text), "float-1", float)
		file, err := config.ParseBatch("batch.yaml", []byte(strings.Replace(own, "  name: tank 900002\n", "  name: "+id+"\n  id: "+id+"\n", 1)))
		require.NoError(w.t, err)
		require.Equal(w.t, id, file.Batch.ID)
		w.begin(file)
		ids = append(ids, id)
	}
	return ids
}

// With few batches nothing is put aside; with more those stay in memory whose
// look comes next. After a start the others are taken up at their first turn,
// the pressing ones first, and all say what they would have said.
func TestOnlyManyBatchesAreParked(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	batch, lines := halting(t, "plain-02", 12)
	w, never := newWatchroom(t, batch, 2), newWatchroom(t, batch, mostAwake)
	for _, room := range []*watchroom{w, never} {
		room.siblings(batch, 1)
		for _, l := range lines[:4] {
			room.hear(l)
		}
		require.Nil(t, room.shelf.file, "no file is made")
		room.siblings(batch, 3)
		for _, l := range lines[4:8] {
			room.hear(l)
		}
	}
	for _, l := range lines[8:] {
		never.hear(l)
	}
	require.Nil(t, never.shelf.file)
	inMemory := func(k *keeper) (n int) {
		for _, r := range k.kept {
			n += 1 - r.away()
		}
		return n
	}
	require.Equal(t, 2, inMemory(w.keeper))
	_, err := os.Stat(filepath.Join(w.shelf.dir, shelfName))
	require.ErrorIs(t, err, os.ErrNotExist, "the file has no name")

	w.resting = time.Minute // on a loaded machine two seconds are not enough for all
	w.rest(t.Context())
	ids := w.states()
	require.Len(t, ids, 5)
	pressing := ids[3].id
	at := w.clock.Now()
	require.NoError(t, w.journal.Say(t.Context(), pressing, 0, nil, nil, []journal.Alert{{
		ID: pressing + "/crash-now/99", Batch: pressing, Kind: "crash-now", Severity: "urgent", Title: "T", Message: "M", Raised: at, Recorded: at, Token: "t", Body: []byte("{}"),
	}}, nil, at, nil))
	again := *w
	again.keeper = newKeeper(w.journal, w.clock, w.shelf.dir, nil, slog.New(slog.DiscardHandler))
	again.most = 1
	t.Cleanup(func() { require.NoError(t, again.shelf.Close()) })
	batches, err := w.journal.Batches(t.Context())
	require.NoError(t, err)
	require.NoError(t, again.openAll(t.Context(), batches))
	require.Equal(t, 1, inMemory(again.keeper))
	require.NotNil(t, again.kept[pressing].watch)
	require.Len(t, again.states(), 1)
	require.Len(t, again.running(), 5)
	require.Equal(t, pressing, again.turns()[0].id)
	for _, l := range lines[8:] {
		again.hear(l)
	}
	require.Equal(t, 1, inMemory(again.keeper))
	for _, s := range again.states() {
		require.Greater(t, len(again.said(s.id)), 10)
		requireSameLines(t, never.said(s.id), again.said(s.id))
	}
	parked := again.kept[ids[1].id]
	require.NotNil(t, parked.lies)
	again.resting = time.Minute
	again.rest(t.Context())
	require.Equal(t, parked.stands(), parked.saved, "one that was parked is kept too")
}

// Law: however many watches are due in the same moment, who may ring has its
// turn first, and who comes while the others have theirs waits for one of them.
func TestWhoMayRingGoesBeforeAllOthers(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	batch, lines := halting(t, "plain-02", 5)
	w := newWatchroom(t, batch, 3)
	ids := w.siblings(batch, 6)
	for _, l := range lines {
		w.hear(l)
	}
	due, now := ids[4], lines[4].Time.Add(20*time.Minute)
	believed := func(id string, change func(*alert.State)) {
		st := w.state[id]
		p := *st.Projection
		st.Projection = &p
		change(&st)
		w.state[id] = st
	}
	ringing := func(in time.Duration) func(*alert.State) {
		return func(st *alert.State) { by := now.Add(in); st.Projection.CrashBy = &by }
	}
	believed(due, ringing(40*time.Minute))
	believed(ids[3], ringing(2*time.Hour))
	believed(ids[1], func(st *alert.State) { st.Open = []alert.Kind{alert.NotCooling} })
	w.clock.set(now)
	order := func() (first []string) {
		for _, turn := range w.turns() {
			first = append(first, turn.id)
		}
		return first
	}
	require.Len(t, order(), 7)
	require.Equal(t, []string{due, ids[3], ids[1]}, order()[:3])
	w.entered(ids[5])
	require.Equal(t, []string{ids[5], due, ids[3], ids[1]}, order()[:4])

	stepped := 0
	w.aside = func(string) string { // asked once a turn
		stepped++
		time.Sleep(roundTime) // a machine as slow as that gives one turn a round
		return ""
	}
	w.round(t.Context())
	require.Equal(t, 1, stepped)
	require.Len(t, order(), 6, "the others keep their turns")
	require.Equal(t, due, order()[0])
	select {
	case <-w.called:
	default:
		t.Fatal("the next round is not called for")
	}
}
