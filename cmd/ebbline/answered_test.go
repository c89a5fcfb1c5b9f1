package main

import (
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// answering is what looks after answers, over the journal and the clock of a cooler.
type answering struct {
	*cooler
	s        *answers
	response time.Duration
	tau      time.Duration // of the crash
}

func newAnswering(t *testing.T) *answering {
	k := &answering{cooler: newCooler(t), response: 30 * time.Minute}
	k.begin()
	k.state.Open = []alert.Kind{alert.CrashNow}
	k.heard(20)
	k.crashNow(1)
	return k
}

// begin is a new process over the same journal.
func (k *answering) begin() {
	keeper := newKeeper(k.j, k.clock, k.t.TempDir(), []string{"phone"}, slog.New(slog.DiscardHandler))
	k.s = &answers{
		journal: k.j, clock: k.clock, log: slog.New(slog.DiscardHandler), zone: func() *time.Location { return time.UTC },
		commanded: k.c.looksAfter, states: k, raise: keeper.raise, news: func(string) {},
	}
}

func (k *answering) ringing() []config.BatchFile {
	if !slices.Contains(k.state.Open, alert.CrashNow) {
		return nil
	}
	files := k.running()
	for i := range files {
		files[i].Batch.ResponseTime, files[i].Batch.Crash.TimeConstant = k.response, k.tau
	}
	return files
}

func (k *answering) stateOf(string) (alert.State, bool, bool) { return k.state, k.live, !k.ended }

func (k *answering) pack() {
	k.ended = true
	require.NoError(k.t, k.j.EndBatch(k.t.Context(), coolBatch, k.clock.Now()))
}

func (k *answering) answer() {
	_, err := k.j.Acknowledge(k.t.Context(), alertID(coolBatch, alert.CrashNow, 1), k.clock.Now())
	require.NoError(k.t, err)
}

// look has a minute pass, and the answers looked at.
func (k *answering) look() {
	k.t.Helper()
	k.pass(answeredLook)
	require.NoError(k.t, k.s.round(k.t.Context()))
}

// Law: who answers crash-now and does not cool the beer is told once more, an hour
// after the crash should have started; once, whatever restarts; and no more when the
// crash is entered.
func TestAnAnswerWithoutACrashIsTold(t *testing.T) {
	for name, temperatures := range map[string][]float64{"warm": {20, 20.1, 19.9, 19.8}, "one outlier": {20, 19.9, 20, 12}, "silent": nil} {
		t.Run(name, func(t *testing.T) {
			k := newAnswering(t)
			k.answer()
			k.look()
			k.heard(temperatures...)
			k.look()
			k.pass(87*time.Minute - time.Duration(len(temperatures))*15*time.Minute)
			require.NoError(t, k.s.round(t.Context()))
			require.Empty(t, k.warnings(), "an hour and a half has not passed")
			k.look()
			k.begin()
			for range 3 {
				k.look()
			}
			told := k.warnings()
			require.Len(t, told, 1)
			require.Equal(t, "urgent", told[0].Severity)
			require.Equal(t, coolBatch+"/not-cooling/answered-1", told[0].ID)
			require.Equal(t, "Answered, and not cooling: pale wheat 12", told[0].Title)
			sign := "the beer is not colder"
			if temperatures == nil {
				sign = "no temperature of the beer was heard"
			}
			require.Equal(t, "Start the crash now, or enter it if it has started. Someone answered “Start the crash now” at 00:15 on Sun 8 Mar; since then no crash was entered and "+
				sign+". Warm beer goes on towards its ceiling.", told[0].Message)
			due, err := k.j.Due(t.Context(), k.clock.Now(), 0)
			require.NoError(t, err)
			require.Len(t, due, 1, "on its way to the phone")

			k.begin()
			k.state.CrashStarted = new(k.clock.Now())
			k.look()
			require.NotNil(t, k.warnings()[0].Resolved)
		})
	}
}

// What is told of ends with what was answered, with beer that is seen to get colder,
// and with the batch; also in a process that was begun in between.
func TestAnAnswerIsFollowedAfterAll(t *testing.T) {
	for name, end := range map[string]func(*answering){
		"colder":            func(k *answering) { k.heard(18.9, 18.8) },
		"packaged":          (*answering).pack,
		"above the ceiling": func(k *answering) { k.state.Open = append(k.state.Open, alert.OverCeiling) },
		"more time": func(k *answering) {
			require.NoError(k.t, k.j.Resolve(k.t.Context(), alertID(coolBatch, alert.CrashNow, 1), k.clock.Now()))
			k.state.Open = nil
		},
	} {
		for _, anew := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, anew %v", name, anew), func(t *testing.T) {
				k := newAnswering(t)
				k.answer()
				k.pass(2 * time.Hour)
				k.look()
				require.Len(t, k.warnings(), 1)
				if anew {
					k.begin()
				}
				k.look()
				require.Nil(t, k.warnings()[0].Resolved)
				end(k)
				k.look()
				k.look()
				require.NotNil(t, k.warnings()[0].Resolved)
				require.Len(t, k.warnings(), 1)
			})
		}
	}
}

// Law: what was told and is over is told again, if it comes back, an hour later at the
// earliest: beer that warms again, a clock that was put right.
func TestAnAnswerIsLookedAfterAgain(t *testing.T) {
	k := newAnswering(t)
	k.answer()
	k.pass(2 * time.Hour)
	k.look()
	k.heard(18.5, 18.4)
	k.look()
	require.NotNil(t, k.warnings()[0].Resolved)
	k.heard(20, 20, 20)
	k.look()
	require.Len(t, k.warnings(), 1)
	k.heard(20, 20)
	k.look()
	told := k.warnings()
	require.Len(t, told, 2)
	require.Equal(t, coolBatch+"/not-cooling/answered-1-2", told[0].ID)
	require.Nil(t, told[0].Resolved)
	k.begin()
	k.look()
	require.Len(t, k.warnings(), 2)

	require.NoError(t, k.j.Resolve(t.Context(), told[0].ID, k.clock.Now())) // as it is when a clock is put right
	k.look()
	k.pass(time.Hour)
	k.look()
	require.Len(t, k.warnings(), 3)
}

// What is told stays while the record says that crash-now is open: after a kill the
// belief is one of hours ago, which knows of none yet.
func TestAnAnswerOutlivesAKill(t *testing.T) {
	for _, live := range []bool{false, true} {
		k := newAnswering(t)
		k.answer()
		k.pass(2 * time.Hour)
		k.look()
		k.begin()
		k.state.Open, k.live = nil, live
		k.look()
		require.Nil(t, k.warnings()[0].Resolved)
	}
}

// The float that told how warm the beer was is taken out, and another put in, which
// lies on the bench or in another place: it is held against what the first one told.
func TestAnAnswerAndAnotherFloat(t *testing.T) {
	k := newAnswering(t)
	r := ingest.Reading{Sensor: "float-2", Quantity: ingest.Temperature, Time: k.clock.Now(), Arrived: k.clock.Now(), Value: 24}
	require.NoError(t, k.j.Record(t.Context(), []ingest.Reading{r}, nil))
	k.answer()
	k.heard(20)
	k.look()
	_, err := k.j.AddEntry(t.Context(), journal.Entry{
		Batch: coolBatch, Kind: journal.SensorChanged, Time: k.clock.Now(), Entered: k.clock.Now(), Body: json.RawMessage(`{"sensors":["float-2"]}`),
	})
	require.NoError(t, err)
	for range 6 {
		k.pass(15 * time.Minute)
		r.Time, r.Arrived, r.Value = k.clock.Now(), k.clock.Now(), 20
		require.NoError(t, k.j.Record(t.Context(), []ingest.Reading{r}, nil))
	}
	k.look()
	require.Len(t, k.warnings(), 1)
}

// Whoever rings still, is cooling, has more time, or looks after the crash otherwise is
// left alone.
func TestAnAnswerIsTrusted(t *testing.T) {
	for name, change := range map[string]func(*answering){
		"not answered: it rings itself":     func(*answering) {},
		"the beer gets colder":              func(k *answering) { k.answer(); k.heard(19.5, 18.9, 18.2) },
		"colder, its warmth not known then": func(k *answering) { k.pass(3 * time.Hour); k.answer(); k.heard(20, 18.9, 18.2) },
		"in a fridge of 4 °C":               func(k *answering) { k.heard(4); k.answer(); k.heard(4, 3.9, 4) },
		"of 200 L, which falls slowly":      func(k *answering) { k.tau = 24 * time.Hour; k.answer(); k.heard(19.8, 19.6, 19.5) },
		"cold already":                      func(k *answering) { k.heard(2.4); k.answer(); k.heard(2.3, 2.4) },
		"the crash is entered":              func(k *answering) { k.answer(); k.state.CrashStarted = new(k.clock.Now()) },
		"above the ceiling, which rings":    func(k *answering) { k.answer(); k.state.Open = append(k.state.Open, alert.OverCeiling) },
		"the brewer takes long to come":     func(k *answering) { k.answer(); k.response = 2 * time.Hour },
		"a record from the past is read":    func(k *answering) { k.answer(); k.live = false },
		"packaged":                          func(k *answering) { k.answer(); k.pack() },
		"a command looks after it":          func(k *answering) { k.round(); k.answer() },
		"the host's clock was set back":     func(k *answering) { k.answer(); k.pass(-3 * time.Hour) },
	} {
		t.Run(name, func(t *testing.T) {
			k := newAnswering(t)
			change(k)
			k.look()
			k.pass(95 * time.Minute)
			for range 3 {
				k.look()
			}
			require.Empty(t, k.warnings())
		})
	}
}

// The daemon: crash-now rings, somebody answers it and does nothing, and the phone
// rings again, with a link to enter the crash by, which ends it.
func TestAnsweredHalfAsleep(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, -40*time.Minute)
	s, clock := newSink(t), new(hostClock)
	d, file := underClock(t, clock, b, s)
	publish(t, d.mqttAddr(), "cellar/float-1", b.lines)
	state := func() alert.State { st, _, _ := d.keeper.stateOf(b.id); return st }
	require.Eventually(t, func() bool { return !state().Now.Before(clock.Now().Add(-20 * time.Minute)) }, longEnough, 20*time.Millisecond)
	clock.step(time.Hour)
	require.Eventually(t, func() bool { return len(s.of("crash-now")) == 1 }, longEnough, 20*time.Millisecond, "%s", alert.Sentence(file.Batch, state()))
	open := func() (ids []string) {
		all, err := d.journal.Alerts(t.Context(), b.id, true)
		require.NoError(t, err)
		for _, a := range all {
			if a.Severity == "urgent" {
				ids = append(ids, a.ID)
			}
		}
		return ids
	}
	crash := alertID(b.id, alert.CrashNow, 1)
	require.Equal(t, []string{crash}, open())
	require.NoError(t, d.Acknowledge(t.Context(), crash))
	clock.step(file.Batch.ResponseTime + answeredFor + time.Minute)
	require.Eventually(t, func() bool { return len(s.of("not-cooling")) == 1 }, longEnough, 20*time.Millisecond)
	told := s.of("not-cooling")[0].Body
	require.Equal(t, "urgent", told["severity"])
	require.Contains(t, told["message"], "Start the crash now, or enter it if it has started")
	require.Len(t, s.of("crash-now"), 1, "that was answered")

	link := told["ack_url"].(string)
	page, err := http.Get(link)
	require.NoError(t, err)
	body, err := io.ReadAll(page.Body)
	require.NoError(t, err)
	require.NoError(t, page.Body.Close())
	require.Contains(t, string(body), `value="crash">The crash has started</button>`)
	done, err := http.PostForm(link, url.Values{"do": {"crash"}})
	require.NoError(t, err)
	require.NoError(t, done.Body.Close())
	require.Equal(t, http.StatusOK, done.StatusCode)
	require.Eventually(t, func() bool {
		clock.step(time.Minute)
		left := open()
		return !slices.Contains(left, crash) && !slices.Contains(left, b.id+"/not-cooling/answered-1")
	}, longEnough, 50*time.Millisecond)
}
