package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// packed has a batch packaged, and waits until that has ended it. It returns the entry.
func (d *daemon) packed(t *testing.T, id, key string) int64 {
	t.Helper()
	require.NoError(t, d.Packaged(t.Context(), id, page.Package{Time: time.Now().Add(-time.Minute), Into: "keg", Key: key}))
	require.Eventually(t, func() bool {
		b, err := d.journal.Batch(t.Context(), id)
		return err == nil && b.Ended != nil
	}, longEnough, 10*time.Millisecond)
	all, err := d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	require.Equal(t, journal.Packaged, all[len(all)-1].Kind)
	return all[len(all)-1].Seq
}

func (d *daemon) unpacks(t *testing.T, id string, seq int64) {
	t.Helper()
	require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: seq}))
	b, err := d.journal.Batch(t.Context(), id)
	require.NoError(t, err)
	require.Nil(t, b.Ended)
}

// A packaging that is struck out has not been: the batch is watched on, what its float
// gave meanwhile is taken in, other entries are taken, and it can be packaged again.
// Another phone that strikes the same one out changes nothing. The daemon is started
// again before it and after it.
func TestAPackagingIsStruckOut(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
	seq := d.packed(t, id, "")
	said := d.said(t, id)
	require.NoError(t, d.Close())

	d = daemonAt(t, data, twoFloats)
	later := pitched.Add(6 * time.Hour)
	d.floats(t, "float-1", later, 1.0122, 8)
	d.unpacks(t, id, seq)
	st := d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(later.Add(time.Hour)) })
	require.Nil(t, st.Packaged)
	require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: seq}))
	require.Contains(t, d.said(t, id), said[len(said)-1], "what was said stays")
	require.NotContains(t, answerOf(t, d, "/batch/"+id), "packaged at", "the last sentence is not of a keg")
	ph := 4.2
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: time.Now(), PH: &ph}))
	d.awaits(t, id, func(st alert.State) bool { return st.PH != nil })
	require.NoError(t, d.Close())

	d = daemonAt(t, data, twoFloats)
	d.awaits(t, id, func(st alert.State) bool { return st.PH != nil && st.LastReading.After(later.Add(time.Hour)) })
	again := d.packed(t, id, "")
	require.NotEqual(t, seq, again)
	require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: seq}), "it is struck out already")
	b, err := d.journal.Batch(t.Context(), id)
	require.NoError(t, err)
	require.NotNil(t, b.Ended, "by the second")
	entries, err := d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	require.Len(t, entries, 4, "two packagings, a strike, a sample")
	d.unpacks(t, id, again)
}

// An export leaves out a packaging that is struck out, and replay goes on past it.
func TestAnExportGoesPastAPackagingStruckOut(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
	d.unpacks(t, id, d.packed(t, id, ""))
	later := pitched.Add(6 * time.Hour)
	d.floats(t, "float-1", later, 1.0122, 8)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(later.Add(time.Hour)) })
	require.NoError(t, d.CrashStarted(t.Context(), id, time.Now(), ""))
	d.awaits(t, id, func(st alert.State) bool { return st.CrashStarted != nil })
	require.NoError(t, d.Close())
	config, folder := exported(t, data)
	capture, err := os.ReadFile(filepath.Join(folder, "capture.jsonl"))
	require.NoError(t, err)
	require.Equal(t, 20+8+2, strings.Count(string(capture), "\n"), "readings, the strike and the crash")
	require.NotContains(t, string(capture), `"kind":"packaged","time"`)
	code, out, stderr := ebbline(t, "", again(config, folder)...)
	require.Equal(t, exitDone, code, stderr)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	var last struct{ Time time.Time }
	require.NoError(t, json.Unmarshal([]byte(lines[len(lines)-1]), &last))
	require.True(t, last.Time.After(time.Now().Add(-longEnough)), "%v: when the crash was entered", last.Time)
}

// A packaging that the watch has yet to read of is struck out as well.
func TestAPackagingIsStruckOutBeforeItEndsTheBatch(t *testing.T) {
	t.Parallel()
	d, id, pitched := running(t, t.TempDir())
	free := make(chan struct{})
	d.keeper.between <- func() { <-free }
	require.NoError(t, d.Packaged(t.Context(), id, page.Package{Time: time.Now(), Into: "keg"}))
	struck := make(chan error, 1)
	go func() { struck <- d.Strike(t.Context(), id, page.Strike{Seq: 1}) }()
	close(free)
	require.NoError(t, <-struck)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
}

// Once other beer has had one of its sensors a packaging stands: also when that beer is
// packaged, or has another sensor by now. A batch that was over before does no harm.
func TestAPackagingStandsOnceOtherBeerHadItsSensor(t *testing.T) {
	t.Parallel()
	start := func(t *testing.T, d *daemon, name, sensor string) string {
		t.Helper()
		id, err := d.StartBatch(t.Context(), fmt.Appendf(nil, `{batch: {name: %s, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: %q, sensors: [%s]}}`,
			name, time.Now().Add(-9*time.Hour).UTC().Format(time.RFC3339), sensor))
		require.NoError(t, err)
		return id
	}
	d, first, _ := running(t, t.TempDir())
	own := d.packed(t, first, "")
	second := start(t, d, "Lantern stout 9", "float-1")
	says := fmt.Sprintf(`sensor "float-1" has been in batch %q since`, second)
	require.ErrorContains(t, d.Strike(t.Context(), first, page.Strike{Seq: own}), says)
	require.NoError(t, d.SetSensors(t.Context(), second, page.Swap{Sensors: []string{"float-2"}}))
	require.ErrorContains(t, d.Strike(t.Context(), first, page.Strike{Seq: own}), says, "it was there")
	other := d.packed(t, second, "")
	require.ErrorContains(t, d.Strike(t.Context(), first, page.Strike{Seq: own}), says)
	third := start(t, d, "Harbour pale 3", "float-1")
	require.NoError(t, d.SetSensors(t.Context(), third, page.Swap{Sensors: []string{}}))
	b, err := d.journal.Batch(t.Context(), first)
	require.NoError(t, err)
	require.NotNil(t, b.Ended)
	d.unpacks(t, second, other) // only the float of its end counts
	// Once it is run again from the pitch, which was with the other float.
	require.Eventually(t, func() bool { return d.keeper.uses("float-2") }, longEnough, 10*time.Millisecond)
}

// A daemon that was killed when a packaging was read and its batch not yet ended ends
// it at the next start.
func TestAPackagedBatchEndsAfterAKill(t *testing.T) {
	t.Parallel()
	d, id, _ := running(t, t.TempDir())
	d.packed(t, id, "")
	snapshot, seq, _, err := d.journal.WatchState(t.Context(), id)
	require.NoError(t, err)
	b, err := d.journal.Batch(t.Context(), id)
	require.NoError(t, err)
	ended := b.Ended
	entries, err := d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	require.NoError(t, d.Close())

	data := t.TempDir()
	j, err := journal.Open(data, journal.Options{})
	require.NoError(t, err)
	b.Ended = nil
	_, err = j.CreateBatch(t.Context(), b)
	require.NoError(t, err)
	at, err := j.AddEntry(t.Context(), entries[0])
	require.NoError(t, err)
	require.Equal(t, seq, at)
	require.NoError(t, j.Say(t.Context(), id, seq, snapshot, nil, nil, nil, time.Now(), nil))
	require.NoError(t, j.Close())
	d = daemonAt(t, data, twoFloats)
	require.Eventually(t, func() bool {
		b, err := d.journal.Batch(t.Context(), id)
		return err == nil && b.Ended != nil && b.Ended.Equal(*ended)
	}, longEnough, 10*time.Millisecond)
}

// A brewer who means to answer crash-now says by mistake that the beer is in the keg. The
// phone falls silent; struck out on the page, the same crash-now rings on, the command that
// went out is not sent again, and the broker is told. A kill before and after changes
// nothing.
func TestAPackagingIsStruckOutFromThePhone(t *testing.T) {
	t.Parallel()
	d := dueBatch(t, time.Hour)
	h, s, m := newResidence(t), newSink(t), newMosquitto(t)
	m.start()
	h.url = "tcp://" + m.addr
	h.extra = coolOnCommand + fmt.Sprintf("notify: [{webhook: %q}]\ninsist: {first: %v, then: %v}\ntimezone: UTC\n", s.URL+"/hook", ringEvery, ringEvery)
	p := h.serve(t, d.batch)
	requireReadyWithin10s(t, p)
	l := listenTo(t, m.addr, switchTopic)
	publish(t, m.addr, "cellar/float-1", d.lines)
	rings := func() int { return len(s.of("crash-now")) }
	ringsOn := func() {
		t.Helper()
		before := rings()
		require.Eventually(t, func() bool { return rings() > before+1 }, longEnough, 20*time.Millisecond)
	}
	require.Eventually(t, func() bool { return rings() > 0 && len(l.on(switchTopic)) > 0 }, longEnough, 20*time.Millisecond)
	stage := func(is string) {
		t.Helper()
		awaitState(t, m.addr, d.id, longEnough, func(st stateDoc) bool { return st.Stage == is })
	}
	stage("fermenting")

	b, batch := newPhoneScreen(t, p.page), "/batch/"+d.id
	b.visit(batch)
	b.fill("password", firstPassword(t, p))
	b.press("form.enter button")
	b.visit(batch + "/package")
	b.shows("it can be struck out under What happened")
	for _, box := range []string{"[value=keg]", "[name=warm]", "[name=acid]"} {
		b.eval(fmt.Sprintf(`document.querySelector(%q)?.click()`, "input"+box))
	}
	b.press("form.enter > button:last-of-type")
	b.shows("The batch is packaged.")
	stage("packaged")
	p.kill()
	p = h.serve(t)
	requireReadyWithin10s(t, p)
	silent := rings()
	time.Sleep(3 * ringEvery)
	require.Equal(t, silent, rings(), "nothing rings for beer in a keg")

	b.visit(batch + "/record")
	b.shows("If it is not, strike its packaging out.")
	b.press(`a[href*="/strike?of="]`)
	b.shows("What float-1 gave meanwhile counts as of this beer")
	b.press("form.enter > button:last-of-type")
	b.shows("this batch is watched again")
	b.shows("Start the crash")
	b.shows("(struck out)")
	ringsOn()
	stage("fermenting")
	p.kill()
	p = h.serve(t)
	requireReadyWithin10s(t, p)
	ringsOn()
	for _, c := range s.of("crash-now") {
		require.Equal(t, d.id+"/crash-now/1", c.Body["id"], "it is the one that was open")
	}
	require.Len(t, l.on(switchTopic), 1, "the command")
	p.term()
}

// Law: a batch whose packaging is struck out is told to the broker as it runs, and its
// end again when it is packaged, also after a kill.
func TestTheStateOfABatchThatRunsAgain(t *testing.T) {
	b := newBoard(t)
	b.says("Package it.")
	require.NoError(t, b.j.EndBatch(t.Context(), coolBatch, b.clock.Now()))
	b.pass(time.Hour)
	b.says("Keep it cold.")
	now := b.clock.Now()
	seq, err := b.j.AddEntry(t.Context(), journal.Entry{Batch: coolBatch, Kind: journal.Packaged, Time: now, Entered: now})
	require.NoError(t, err)
	_, err = b.j.AddEntry(t.Context(), journal.Entry{Batch: coolBatch, Kind: journal.StruckEntry, Time: now, Entered: now, Key: journal.StrikeKey(seq), Body: fmt.Appendf(nil, `{"seq":%d}`, seq)})
	require.NoError(t, err)
	b.pass(time.Hour)
	b.says("Package it.")
	require.NoError(t, b.j.EndBatch(t.Context(), coolBatch, b.clock.Now()))
	b.start()
	b.look()
	var stages []string
	for _, o := range b.sent {
		var s struct{ Stage string }
		require.NoError(t, json.Unmarshal(o.Payload, &s))
		stages = append(stages, s.Stage)
	}
	require.Equal(t, []string{"fermenting", "packaged", "fermenting", "packaged"}, stages)
}

// A command that was sent is looked after again, and not sent again, when the packaging
// that ended its batch is struck out: by the same daemon or the next one, and also if
// its crash-now was over before.
func TestACommandGoesOnAfterAPackagingThatWasNone(t *testing.T) {
	for name, is := range map[string]struct{ anew, over bool }{"the same daemon": {}, "the next daemon": {anew: true}, "crash-now is over": {over: true}} {
		t.Run(name, func(t *testing.T) {
			k := newCooler(t)
			k.heard(18, 18)
			k.crashNow(1)
			k.round()
			require.Len(t, k.sent, 1)
			if is.over {
				require.NoError(t, k.j.Resolve(t.Context(), coolBatch+"/crash-now/1", k.clock.Now()))
				k.round()
			}
			k.ended = true
			k.round()
			require.Empty(t, k.c.aside(coolBatch))
			if is.anew {
				k.start()
				require.NoError(t, k.c.begin(t.Context()))
			}
			k.ended = false
			k.round()
			require.Contains(t, k.c.aside(coolBatch), "The command was sent")
			k.heard(16, 12, 9)
			k.round()
			require.Len(t, k.sent, 1)
			entries, err := k.j.Entries(t.Context(), coolBatch)
			require.NoError(t, err)
			require.Equal(t, journal.CrashStarted, entries[len(entries)-1].Kind, "the beer follows it")
		})
	}
}

// "The command did not cool the beer" is open as before, and told on, when the packaging
// that ended its batch is struck out.
func TestAWarningOfACommandStandsAfterAPackagingThatWasNone(t *testing.T) {
	k := newCooler(t)
	k.heard(18, 18)
	k.crashNow(1)
	k.round()
	require.Len(t, k.sent, 1)
	k.pass(3 * time.Hour)
	k.round()
	open := func() (ids []string) {
		all, err := k.j.Alerts(t.Context(), coolBatch, true)
		require.NoError(t, err)
		for _, a := range all {
			ids = append(ids, a.ID)
		}
		return ids
	}
	before := open()
	require.Len(t, before, 2)
	now := k.clock.Now()
	seq, err := k.j.AddEntry(t.Context(), journal.Entry{Batch: coolBatch, Kind: journal.Packaged, Time: now, Entered: now})
	require.NoError(t, err)
	require.NoError(t, k.j.Say(t.Context(), coolBatch, seq, []byte("x"), nil, nil, []string{coolBatch + "/crash-now/1"}, now, nil))
	require.NoError(t, k.j.EndBatch(t.Context(), coolBatch, now))
	k.ended = true
	k.round()
	require.Empty(t, open())
	k.pass(5 * time.Minute)
	now = k.clock.Now()
	_, err = k.j.AddEntry(t.Context(), journal.Entry{Batch: coolBatch, Kind: journal.StruckEntry, Time: now, Entered: now, Key: journal.StrikeKey(seq), Body: fmt.Appendf(nil, `{"seq":%d,"kind":"packaged"}`, seq)})
	require.NoError(t, err)
	k.ended = false
	k.round()
	require.Equal(t, before, open())
	k.heard(12, 9)
	k.round()
	require.Equal(t, []string{coolBatch + "/crash-now/1"}, open(), "the beer follows after all")
}

// A batch that describes its float itself runs beside one that has described it
// otherwise: what is read from it stays as it is, whether a strike is refused, done, or
// asked for twice, and at the next start.
func TestAStrikeLeavesTheFloatsOfOthersAsTheyAreRead(t *testing.T) {
	t.Parallel()
	start := func(t *testing.T, d *daemon, name, pointer string) string {
		t.Helper()
		id, err := d.StartBatch(t.Context(), fmt.Appendf(nil, `{batch: {name: %s, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: %q, sensors: [own-1]}, sensors: [{name: own-1, topic: cellar/own-1, time: /ts, readings: [{quantity: gravity, pointer: %s, unit: sg}]}]}`,
			name, time.Now().Add(-9*time.Hour).UTC().Format(time.RFC3339), pointer))
		require.NoError(t, err)
		return id
	}
	minute := 0
	reads := func(t *testing.T, d *daemon, want float64) {
		t.Helper()
		require.NoError(t, d.refilter())
		minute++
		d.hears(t, "cellar/own-1", fmt.Sprintf(`{"raw": 1.0300, "corrected": 1.0120, "ts": %d}`, time.Now().Add(time.Duration(minute-60)*time.Minute).Unix()))
		require.InDelta(t, want, d.last(t, "own-1", ingest.Gravity), 1e-6)
	}
	t.Run("refused", func(t *testing.T) {
		d := daemonAt(t, t.TempDir(), twoFloats)
		first := start(t, d, "Oat mild 1", "/raw")
		seq := d.packed(t, first, "")
		start(t, d, "Oat mild 2", "/corrected")
		reads(t, d, 1.0120)
		require.ErrorContains(t, d.Strike(t.Context(), first, page.Strike{Seq: seq}), "has been in batch")
		reads(t, d, 1.0120)
	})
	t.Run("done", func(t *testing.T) {
		data := t.TempDir()
		d := daemonAt(t, data, twoFloats)
		first := start(t, d, "Oat mild 1", "/raw")
		require.NoError(t, d.SetSensors(t.Context(), first, page.Swap{Sensors: []string{"float-1"}}))
		start(t, d, "Oat mild 2", "/corrected")
		seq := d.packed(t, first, "")
		reads(t, d, 1.0120)
		d.unpacks(t, first, seq)
		reads(t, d, 1.0120)
		require.NoError(t, d.Strike(t.Context(), first, page.Strike{Seq: seq}))
		reads(t, d, 1.0120)
		require.NoError(t, d.Close())
		reads(t, daemonAt(t, data, twoFloats), 1.0120)
	})
	t.Run("its own", func(t *testing.T) {
		data := t.TempDir()
		d := daemonAt(t, data, twoFloats)
		first := start(t, d, "Oat mild 1", "/raw")
		seq := d.packed(t, first, "")
		require.NoError(t, d.Close())
		d = daemonAt(t, data, twoFloats) // which has forgotten its float
		d.unpacks(t, first, seq)
		reads(t, d, 1.0300)
	})
}

// A packaging that comes with the key of one that was struck out, as from a form sent
// again, is another one.
func TestABatchIsPackagedAgainUnderTheSameKey(t *testing.T) {
	t.Parallel()
	d, id, _ := running(t, t.TempDir())
	for range 3 {
		d.unpacks(t, id, d.packed(t, id, "one"))
	}
}

// A strike that is in the record and that its caller was told had failed: asked again,
// the batch is watched.
func TestAPackagingIsStruckOutAfterAnError(t *testing.T) {
	t.Parallel()
	d, id, pitched := running(t, t.TempDir())
	seq := d.packed(t, id, "")
	now := time.Now()
	_, err := d.journal.AddEntry(t.Context(), journal.Entry{
		Batch: id, Kind: journal.StruckEntry, Time: now, Entered: now, Key: journal.StrikeKey(seq), Body: fmt.Appendf(nil, `{"seq":%d,"kind":"packaged"}`, seq),
	})
	require.NoError(t, err)
	d.unpacks(t, id, seq)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
}
