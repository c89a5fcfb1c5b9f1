package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

var updateDemo = flag.Bool("update-demo", false, "write the golden file of the demo's story anew")

func pitchDay() time.Time { return time.Date(2026, 3, 6, 18, 0, 0, 0, time.UTC) }

// standIn is a house that knows the truth: it believes it to 0.03 % ABV, and
// says crash-now when a crash half an hour later would leave a margin of margin
// under the ceiling.
type standIn struct {
	t      *testing.T
	vats   []*vat
	heard  chan said
	margin gravity.ABV
	mute   bool // never says crash-now
	told   map[string]bool
	deeds  []string
	topics map[string][]time.Time
}

func newStandIn(t *testing.T, vats []*vat) *standIn {
	return &standIn{t: t, vats: vats, heard: make(chan said, 100), margin: 0.08, told: map[string]bool{}, topics: map[string][]time.Time{}}
}

func (h *standIn) StartBatch(_ context.Context, raw []byte) (string, error) {
	f, err := config.ParseBatch("batch file", raw)
	require.NoError(h.t, err, "%s", raw)
	return f.Batch.ID, nil
}

func (h *standIn) AddSample(_ context.Context, batch string, s page.Sample) error {
	what := "pH"
	if s.Gravity != nil {
		what = "gravity"
	}
	h.deeds = append(h.deeds, batch+" sample "+what)
	return nil
}

func (h *standIn) CrashStarted(_ context.Context, batch string, _ time.Time, _ string) error {
	h.deeds = append(h.deeds, batch+" crash")
	return nil
}

func (h *standIn) Packaged(_ context.Context, batch string, p page.Package) error {
	h.deeds = append(h.deeds, batch+" "+p.Into)
	return nil
}

func (h *standIn) Finally(_ context.Context, batch string) (*projection.Estimate, error) {
	for _, b := range h.vats {
		if b.id == batch {
			return b.estimate, nil
		}
	}
	return nil, errors.New("no such batch")
}

func (h *standIn) Acknowledge(_ context.Context, id string) error {
	h.deeds = append(h.deeds, "ack "+id)
	return nil
}

// send stands for broker, journal and watch at once.
func (h *standIn) send(_ context.Context, topic string, payload []byte) error {
	var p struct {
		G, T float64
		TS   time.Time
	}
	require.NoError(h.t, json.Unmarshal(payload, &p))
	h.topics[topic] = append(h.topics[topic], p.TS)
	for _, b := range h.vats {
		if "cellar/"+b.v.Floats[0].Name == topic {
			h.speak(b, p.TS)
		}
	}
	return nil
}

func (h *standIn) speak(b *vat, at time.Time) {
	truth := b.v.At(at)
	h.heard <- said{b.id, alert.Event{Time: at, Estimate: &projection.Estimate{
		Time: at, Gravity: truth.Gravity + 0.0001, GravitySD: 0.0003, ABV: truth.ABV, ABVSD: 0.03,
	}}}
	say := func(kind alert.Kind, s alert.Severity, title, message string) {
		if !h.told[b.id] && !h.mute {
			h.told[b.id] = true
			h.heard <- said{b.id, alert.Event{Time: at, Alert: &alert.Alert{Kind: kind, N: 1, Severity: s, Title: title, Message: message}}}
		}
	}
	if b.v.MaltoseNegative {
		say(alert.StaysBelow, alert.Info, "It will stay below 0.5 %", "No crash is needed.")
	} else if b.v.FinalABVIfCrash(at.Add(b.v.ResponseTime)) > b.v.Ceiling.Limit-h.margin {
		say(alert.CrashNow, alert.Urgent, "Start the crash now.", "Waiting longer breaks the risk you accepted.")
	}
}

func tellStory(t *testing.T, h *standIn, vats []*vat) (*story, *bytes.Buffer) {
	t.Helper()
	var out bytes.Buffer
	s := &story{
		vats: vats, house: h, clock: &steppedClock{}, heard: h.heard, send: h.send,
		wait: func(context.Context, time.Duration) error { return nil },
		tell: &narrator{out: &out, location: time.UTC, pitched: pitchDay()},
	}
	s.tell.introduce(4500, "http://127.0.0.1:8080", "127.0.0.1:1883")
	require.NoError(t, s.run(t.Context()))
	require.NoError(t, s.tell.summary(vats))
	return s, &out
}

// The whole demo with a daemon that knows the truth: every batch that is cooled
// when it must be ends under its ceiling.
func TestDemoStory(t *testing.T) {
	vats := cellar(pitchDay())
	h := newStandIn(t, vats)
	_, out := tellStory(t, h, vats)
	for _, b := range vats {
		require.True(t, b.held(), b.name)
		require.Less(t, b.v.At(b.kegged.Add(48*time.Hour)).ABV-b.v.At(b.kegged).ABV, gravity.ABV(0.02), "%s has come to rest", b.name)
		require.Less(t, b.kegged.Sub(pitchDay()), 150*time.Hour, "%s must be told in two minutes at 75 minutes a second", b.name)
		sent := h.topics["cellar/"+b.v.Floats[0].Name]
		require.Equal(t, pitchDay(), sent[0].UTC())
		for i := range sent[1:] {
			require.Equal(t, sendEvery, sent[i+1].Sub(sent[i]), "every reading at its own device time")
		}
	}
	counts := map[string]int{}
	for _, d := range h.deeds {
		counts[d]++
	}
	for _, b := range vats {
		require.Equal(t, 1, counts[b.id+" crash"], b.name)
		require.Equal(t, 1, counts[b.id+" keg"], b.name)
		require.Equal(t, 1, counts[b.id+" sample pH"], b.name)
	}
	require.Positive(t, counts[vats[1].id+" sample gravity"], "the batch with the bad float is sampled by hand")
	require.Equal(t, 2, counts["ack "+alertID(vats[0].id, alert.CrashNow, 1)]+counts["ack "+alertID(vats[1].id, alert.CrashNow, 1)])

	golden := filepath.Join("testdata", "demo_story.golden")
	if *updateDemo {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, out.Bytes(), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), out.String())
}

// If nobody hears anything, the standard yeasts pass the ceiling, and the story
// says so and ends all the same.
func TestDemoStoryWithoutAlerts(t *testing.T) {
	vats := cellar(pitchDay())
	h := newStandIn(t, vats)
	h.mute = true
	_, out := tellStory(t, h, vats)
	require.False(t, vats[0].held())
	require.False(t, vats[1].held())
	require.Contains(t, out.String(), "ABOVE ITS CEILING")
	require.Contains(t, out.String(), "nothing had been heard for days")
}

// The truth under the demo: its bad float is bad from the start and gets worse,
// its good one is good, and the one without maltose rests below by itself.
func TestDemoCellarIsWhatItSays(t *testing.T) {
	vats := cellar(pitchDay())
	off := func(b *vat, h float64) float64 {
		at := pitchDay().Add(time.Duration(h * float64(time.Hour)))
		truth := b.v.At(at)
		sum := 0.0
		for i := range 8 {
			for _, r := range b.v.Read(at.Add(time.Duration(i) * sendEvery)) {
				sum += float64(*r.Gravity-truth.Gravity) * 1000 / 8
			}
		}
		return sum
	}
	require.InDelta(t, 0, off(vats[0], 0), 1.5)
	start := off(vats[1], 0)
	require.InDelta(t, 3, start, 1)
	require.Greater(t, off(vats[1], 29), start+1.5, "lifted by foam")
	require.Greater(t, off(vats[1], 72), start+0.5, "drifted")
	rest := vats[2].v.At(pitchDay().Add(20 * 24 * time.Hour))
	require.Less(t, rest.ABV, gravity.ABV(0.5))
	for _, b := range vats[:2] {
		require.Greater(t, b.v.At(pitchDay().Add(20*24*time.Hour)).ABV, gravity.ABV(0.6), "%s would pass its ceiling", b.name)
	}
	again := cellar(pitchDay())
	for i, b := range again {
		require.Equal(t, fmt.Sprint(ferment.Draw(b.v.Seed, b.v.Kind).OriginalGravity), fmt.Sprint(vats[i].v.OriginalGravity))
	}
}

// A terminal that is gone ends the story with its error.
func TestDemoWithoutATerminal(t *testing.T) {
	read, write := io.Pipe()
	require.NoError(t, read.Close())
	vats := cellar(pitchDay())
	h := newStandIn(t, vats)
	s := &story{
		vats: vats, house: h, clock: &steppedClock{}, heard: h.heard, send: h.send,
		tell: &narrator{out: write, location: time.UTC, pitched: pitchDay()},
		wait: func(context.Context, time.Duration) error { return nil },
	}
	require.ErrorIs(t, (&DemoCmd{}).finish(t.Context(), s, "http://x"), io.ErrClosedPipe)
}

// Cutting a demo off ends it at once, with the account as far as it goes.
func TestDemoCutOff(t *testing.T) {
	vats := cellar(pitchDay())
	h := newStandIn(t, vats)
	ctx, cancel := context.WithCancel(t.Context())
	var out bytes.Buffer
	steps := 0
	s := &story{
		vats: vats, house: h, clock: &steppedClock{}, heard: h.heard, send: h.send,
		tell: &narrator{out: &out, location: time.UTC, pitched: pitchDay()},
		wait: func(ctx context.Context, _ time.Duration) error {
			if steps++; steps == 100 {
				cancel()
			}
			return ctx.Err()
		},
	}
	require.NoError(t, (&DemoCmd{}).finish(ctx, s, "http://x"))
	require.Equal(t, 100, steps)
	require.Equal(t, 3, strings.Count(out.String(), "still on its way"))
}

// The brewer is not faster than her own response time and never cools twice.
func TestVirtualBrewer(t *testing.T) {
	at := pitchDay().Add(30 * time.Hour)
	b := cellar(pitchDay())[0]
	now := alert.Event{Time: at, Alert: &alert.Alert{Kind: alert.CrashNow, N: 1, Severity: alert.Urgent}}
	require.True(t, b.hears(now), "an urgent alert is acknowledged")
	require.Empty(t, b.due(at))
	require.Empty(t, b.due(at.Add(b.v.ResponseTime-time.Second)))
	require.Equal(t, []deed{startCrash}, b.due(at.Add(b.v.ResponseTime)))
	b.cools(at.Add(b.v.ResponseTime))
	b.hears(now)
	require.Empty(t, b.due(at.Add(2*b.v.ResponseTime)))
	require.Equal(t, []deed{measurePH, fillKeg}, b.due(at.Add(b.v.ResponseTime+coldBeforeKeg)))
	require.False(t, b.hears(alert.Event{Time: at, Alert: &alert.Alert{Kind: alert.CrashSoon, Severity: alert.Warning}}))
}

// She draws a sample and measures pH when the phone asks for them, once each.
func TestVirtualBrewerDoesWhatIsAsked(t *testing.T) {
	at := pitchDay().Add(20 * time.Hour)
	b := cellar(pitchDay())[0]
	b.hears(alert.Event{Time: at, Alert: &alert.Alert{Kind: alert.SampleDue}})
	b.hears(alert.Event{Time: at.Add(time.Hour), Alert: &alert.Alert{Kind: alert.PH}})
	require.Empty(t, b.due(at))
	require.Equal(t, []deed{takeSample}, b.due(at.Add(pause)))
	b.samples(at.Add(pause))
	require.Equal(t, []deed{measurePH}, b.due(at.Add(time.Hour+pause)))
	b.phTaken = true
	require.Empty(t, b.due(at.Add(10*time.Hour)))
}

func TestPacerHoldsTheSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, began := &pacer{speed: 3600}, time.Now()
		for range 12 {
			require.NoError(t, p.wait(t.Context(), 5*time.Minute))
		}
		require.InDelta(t, time.Second, time.Since(began), float64(time.Millisecond))
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.ErrorIs(t, (&pacer{speed: 1e-3}).wait(ctx, time.Hour), context.Canceled)
	})
}

func TestDemoRefuses(t *testing.T) {
	require.ErrorContains(t, (&DemoCmd{Speed: 0}).Run(&bytes.Buffer{}), "--speed 0")
	used := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(used, "record"), nil, 0o600))
	require.ErrorContains(t, (&DemoCmd{Speed: 4500, Data: used}).Run(&bytes.Buffer{}), "not empty")
}

// The command itself, with the real daemon, broker, client and journal, as fast
// as this machine can: every batch ends under its ceiling and the record stays
// where it was asked for.
func TestDemoCommand(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "demo")
	var out bytes.Buffer
	c := &DemoCmd{Speed: 1e6, Data: data, Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", For: time.Hour}
	require.NoError(t, c.Run(&out))
	told := out.String()
	require.Contains(t, told, "THE PHONE RINGS", told)
	require.Contains(t, told, "Maren starts the crash: the oak churn", told)
	require.Equal(t, 3, strings.Count(told, "ABV   under its ceiling"), told)
	kept, err := os.ReadDir(data)
	require.NoError(t, err)
	require.NotEmpty(t, kept)
}

// The story does not go back: what is heard late stands at the moment at which it
// is heard. Nothing in it reads like an identifier, and no title is said twice.
func TestTheStoryReadsLikeOne(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	pitched := pitchDay()
	n := &narrator{out: &out, location: time.UTC, pitched: pitched}
	b := &vat{name: "Lantern Pale"}
	n.sample(b, pitched.Add(32*time.Hour), 1.012)
	n.resolved(b, pitched.Add(31*time.Hour+46*time.Minute), &alert.Resolved{Kind: alert.StaysBelow, N: 1, Why: "it may pass the ceiling after all"})
	n.phone(b, pitched.Add(33*time.Hour), &alert.Alert{Kind: alert.CrashNow, Severity: alert.Urgent, Title: "Start the crash now: Lantern Pale", Message: "Start the crash now, or keg and chill."})
	n.phone(b, pitched.Add(34*time.Hour), &alert.Alert{Kind: alert.SensorSilent, Severity: alert.Warning, Title: "No readings from float-1: Lantern Pale", Message: "Since 02:00."})
	require.NoError(t, n.err)
	require.Equal(t, []string{
		"day 3, 02:00   Lantern Pale: Maren draws a sample by hand and enters 1.0120.",
		"day 3, 02:00   Lantern Pale: ebbline takes back that it stays below its ceiling: it may pass the",
		"               ceiling after all.",
		"day 3, 03:00   Lantern Pale: THE PHONE RINGS: “Start the crash now, or keg and chill.”",
		"day 3, 04:00   Lantern Pale: Phone: “No readings from float-1. Since 02:00.”",
	}, strings.Split(strings.TrimSpace(out.String()), "\n"))
	for _, k := range []alert.Kind{alert.OverCeiling, alert.StaysBelow, alert.NotCooling, alert.StillFermenting, alert.SensorSilent, alert.SensorSuspect, alert.NotStarted, alert.Temperature} {
		require.NotEqual(t, "a word of its own", wordOf(k), k)
	}
}
