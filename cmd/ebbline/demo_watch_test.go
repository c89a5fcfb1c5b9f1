package main

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/deploy/quicktest"
	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// watchHouse is a house without broker, journal and page: decoder and watch as
// the daemon uses them, on the clock of the readings.
type watchHouse struct {
	t      *testing.T
	now    func() time.Time
	heard  chan said
	rooms  map[string]*watchRoom // by batch
	topics map[string]string     // batch by topic
}

type watchRoom struct {
	watch  *alert.Watch
	mapper *ingest.Mapper
	batch  projection.Batch
}

func newWatchHouse(t *testing.T, clock Clock) *watchHouse {
	return &watchHouse{t: t, now: clock.Now, heard: make(chan said, 1000), rooms: map[string]*watchRoom{}, topics: map[string]string{}}
}

func (h *watchHouse) StartBatch(_ context.Context, raw []byte) (string, error) {
	f, err := config.ParseBatch("batch file", raw)
	require.NoError(h.t, err)
	w, err := alert.NewWatch(f.Batch, alert.Options{})
	require.NoError(h.t, err)
	m, err := ingest.Compile(f.Sensors)
	require.NoError(h.t, err)
	h.rooms[f.Batch.ID] = &watchRoom{w, m, f.Batch}
	for _, topic := range m.Filters() {
		h.topics[topic] = f.Batch.ID
	}
	return f.Batch.ID, nil
}

func (h *watchHouse) pass(batch string, events []alert.Event) {
	for _, e := range events {
		h.heard <- said{batch, e}
	}
}

func (h *watchHouse) send(_ context.Context, topic string, payload []byte) error {
	batch := h.topics[topic]
	room := h.rooms[batch]
	readings, refused := room.mapper.Decode(ingest.Message{Topic: topic, Payload: payload, Arrived: h.now()})
	require.Empty(h.t, refused)
	var obs []projection.Observation
	for _, r := range readings {
		obs = append(obs, projection.Observation{Time: r.Time, Sensor: r.Sensor, Quantity: projection.Quantity(r.Quantity), Value: r.Value})
	}
	h.pass(batch, room.watch.Observe(h.now(), obs...))
	return nil
}

func (h *watchHouse) AddSample(_ context.Context, batch string, s page.Sample) error {
	p := projection.Sample{Time: s.Time, PH: s.PH}
	if s.Gravity != nil {
		g := gravity.SG(*s.Gravity)
		p.Gravity = &g
	}
	h.pass(batch, h.rooms[batch].watch.Enter(h.now(), alert.Input{Sample: &p}))
	return nil
}

func (h *watchHouse) CrashStarted(_ context.Context, batch string, at time.Time, _ string) error {
	h.pass(batch, h.rooms[batch].watch.Enter(h.now(), alert.Input{CrashStarted: &at}))
	return nil
}

func (h *watchHouse) Packaged(_ context.Context, batch string, p page.Package) error {
	h.pass(batch, h.rooms[batch].watch.Enter(h.now(), alert.Input{Packaged: &p.Time}))
	return nil
}

func (h *watchHouse) Finally(_ context.Context, batch string) (*projection.Estimate, error) {
	return h.rooms[batch].watch.State().Estimate, nil
}

func (h *watchHouse) Acknowledge(context.Context, string) error { return nil }

// The demo with the real decision: every batch ends under its ceiling, the
// phone rang for the standard yeasts, and the belief at the end is near the truth.
func TestDemoStoryWithTheRealWatch(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	vats, clock := cellar(pitchDay()), &steppedClock{}
	h := newWatchHouse(t, clock)
	var out bytes.Buffer
	s := &story{
		vats: vats, house: h, clock: clock, heard: h.heard, send: h.send,
		wait: func(context.Context, time.Duration) error { return nil },
		tell: &narrator{out: &out, location: time.UTC, pitched: pitchDay()},
	}
	require.NoError(t, s.run(t.Context()))
	require.NoError(t, s.tell.summary(vats))
	for _, b := range vats {
		require.True(t, b.held(), b.name)
		require.Contains(t, alert.Sentence(h.rooms[b.id].batch, h.rooms[b.id].watch.State()), strings.ReplaceAll(strength(b.estimate), firm, " "), "the page says the same")
		require.InDelta(t, float64(b.v.At(b.kegged).ABV), float64(b.estimate.ABV), 0.15, b.name)
		require.Less(t, b.kegged.Sub(pitchDay()), 150*time.Hour, b.name)
	}
	require.Equal(t, "the phone asked for it", vats[0].why)
	require.Equal(t, "the phone asked for it", vats[1].why)
	if t.Failed() {
		t.Log(out.String())
	}
}
