package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
	"ebbline/projection"
)

// cooler is a commander over a real journal, with a broker and a watch that do
// what a test says.
type cooler struct {
	t     *testing.T
	j     *journal.Journal
	clock *steppedClock
	c     *commander
	cmd   *config.Command
	// cooled is the sensor whose vessel the command cools.
	cooled string
	state  alert.State
	live   bool
	ended  bool
	sent   []broker.Outgoing
	fail   error  // of the next publish
	die    string // the named point at which the process is killed
}

const coolBatch = "pale-wheat-12"

var errKilled = errors.New("killed")

func newCooler(t *testing.T) *cooler {
	k := &cooler{cooled: "float-1", t: t, j: journaltest.Open(t), clock: &steppedClock{}, live: true}
	k.clock.set(pitchDay().Add(30 * time.Hour))
	_, err := k.j.CreateBatch(t.Context(), journal.Batch{ID: coolBatch, Name: "pale wheat 12", Sensors: []string{"float-1"}, Started: pitchDay()})
	require.NoError(t, err)
	k.start()
	return k
}

func (k *cooler) stateOf(string) (alert.State, bool, bool) { return k.state, k.live, true }
func (k *cooler) running() []config.BatchFile {
	if k.ended {
		return nil
	}
	return []config.BatchFile{{Batch: projection.Batch{ID: coolBatch, Name: "pale wheat 12", Crash: projection.Crash{To: 2}, Sensors: []string{"float-1"}}}}
}
func (k *cooler) entered(string) {}

// at is a point of the commander's way at which it may be killed.
func (k *cooler) at(point string) {
	if k.die == point {
		k.die = ""
		panic(errKilled)
	}
}

// start begins a new process over the same journal.
func (k *cooler) start() {
	k.cmd = &config.Command{Sensor: "float-1", Topic: "cellar/cooler/set", Payload: "on", QoS: 1, Within: 2 * time.Hour}
	keeper := newKeeper(k.j, k.clock, k.t.TempDir(), []string{"phone"}, slog.New(slog.DiscardHandler))
	k.c = &commander{
		journal: k.j, clock: k.clock, log: slog.New(slog.DiscardHandler), zone: time.UTC, states: k, some: func() bool { return true },
		command: func(b projection.Batch) *config.Command {
			if !slices.Contains(b.Sensors, k.cooled) {
				return nil
			}
			return k.cmd
		},
		publish: func(_ context.Context, o broker.Outgoing) error {
			k.at("recorded")
			if k.fail != nil {
				return k.fail
			}
			k.sent = append(k.sent, o)
			k.at("sent")
			return nil
		},
		enter: func(ctx context.Context, batch string, kind journal.EntryKind, at time.Time, key string, body any) error {
			k.at("before " + string(kind))
			raw, err := json.Marshal(body)
			require.NoError(k.t, err)
			_, err = k.j.AddEntry(ctx, journal.Entry{Batch: batch, Kind: kind, Time: at, Entered: k.clock.Now(), Key: key, Body: raw})
			k.at("after " + string(kind))
			return err
		},
		raise: func(ctx context.Context, a journal.Alert, f config.BatchFile, st alert.State) error {
			k.at("before warning")
			err := keeper.raise(ctx, a, f, st)
			k.at("after warning")
			return err
		},
	}
}

// round lets the commander look once; a killed one is started anew.
func (k *cooler) round() (killed bool) {
	k.t.Helper()
	defer func() {
		if p := recover(); p != nil {
			require.Equal(k.t, errKilled, p)
			killed = true
			k.start()
		}
	}()
	require.NoError(k.t, k.c.round(k.t.Context()))
	return false
}

func (k *cooler) crashNow(n int) {
	at := k.clock.Now()
	id := alertID(coolBatch, alert.CrashNow, n)
	a := journal.Alert{ID: id, Batch: coolBatch, Kind: "crash-now", Severity: "urgent", Raised: at, Recorded: at, Token: id}
	require.NoError(k.t, k.j.Say(k.t.Context(), coolBatch, 0, nil, nil, []journal.Alert{a}, nil, at, nil))
}

// heard records temperatures of the beer, °C, a quarter of an hour apart.
func (k *cooler) heard(temperatures ...float64) {
	for _, v := range temperatures {
		k.pass(15 * time.Minute)
		r := ingest.Reading{Sensor: "float-1", Quantity: ingest.Temperature, Time: k.clock.Now(), Arrived: k.clock.Now(), Value: v}
		require.NoError(k.t, k.j.Record(k.t.Context(), []ingest.Reading{r}, nil))
	}
}

func (k *cooler) pass(d time.Duration) { k.clock.set(k.clock.Now().Add(d)) }

func (k *cooler) warnings() []journal.Alert {
	all, err := k.j.Alerts(k.t.Context(), coolBatch, false)
	require.NoError(k.t, err)
	var some []journal.Alert
	for _, a := range all {
		if a.Kind == string(alert.NotCooling) {
			some = append(some, a)
		}
	}
	return some
}

func (k *cooler) entries(kind journal.EntryKind) []journal.Entry {
	all, err := k.j.Entries(k.t.Context(), coolBatch)
	require.NoError(k.t, err)
	var some []journal.Entry
	for _, e := range all {
		if e.Kind == kind {
			some = append(some, e)
		}
	}
	return some
}

// Law: each occurrence of crash-now is answered by one command.
func TestOneCommandForEachCrashNow(t *testing.T) {
	k := newCooler(t)
	k.round()
	require.Empty(t, k.sent, "no crash-now, no command")
	k.crashNow(1)
	for range 3 {
		k.round()
	}
	require.Equal(t, []broker.Outgoing{{Topic: "cellar/cooler/set", Payload: []byte("on"), QoS: 1}}, k.sent)
	require.Len(t, k.entries(journal.NoteEntry), 1, "the record says so")
	require.NoError(t, k.j.Resolve(t.Context(), alertID(coolBatch, alert.CrashNow, 1), k.clock.Now()))
	k.pass(time.Minute)
	k.crashNow(2)
	k.start()
	k.round()
	k.round()
	require.Len(t, k.sent, 2, "another occurrence, another command")
}

// Law: a beer that gets colder after the command has its crash entered, at the
// moment of the command; the swing of a day is not taken for it.
func TestTheBeerConfirmsTheCommand(t *testing.T) {
	k := newCooler(t)
	k.heard(20.1, 20.0)
	k.crashNow(1)
	k.round()
	at := k.clock.Now()
	require.Contains(t, k.c.aside(coolBatch), "was sent to cellar/cooler/set at 00:30; the beer is not colder yet")
	k.heard(19.9, 18.9)
	k.round()
	require.Empty(t, k.entries(journal.CrashStarted), "one reading may be an outlier")
	k.heard(18.5)
	k.round()
	started := k.entries(journal.CrashStarted)
	require.Len(t, started, 1)
	require.WithinDuration(t, at, started[0].Time, 0)
	require.Empty(t, k.c.aside(coolBatch))
	k.pass(3 * time.Hour)
	k.round()
	require.Empty(t, k.warnings())
	require.Empty(t, k.c.trouble())
}

// Law: a beer that does not follow within the stated time is told to the phone
// once, urgently; if it follows after all the alert ends.
func TestABeerThatDoesNotFollowIsTold(t *testing.T) {
	for name, temperatures := range map[string][]float64{"warm": {20, 20.1, 19.9, 20}, "silent": nil} {
		t.Run(name, func(t *testing.T) {
			k := newCooler(t)
			k.heard(20)
			k.crashNow(1)
			k.round()
			k.heard(temperatures...)
			k.pass(2 * time.Hour)
			for range 3 {
				k.round()
			}
			told := k.warnings()
			require.Len(t, told, 1)
			require.Equal(t, "urgent", told[0].Severity)
			require.Contains(t, told[0].Message, "start the crash yourself: the command was sent to cellar/cooler/set at 00:15, and after 2h the beer is not colder")
			due, err := k.j.Due(t.Context(), k.clock.Now(), 0)
			require.NoError(t, err)
			require.Len(t, due, 1, "on its way to the phone")
			require.Contains(t, k.c.trouble(), "did not get colder")
			require.Len(t, k.sent, 1)
			k.heard(18, 17)
			k.round()
			require.Len(t, k.entries(journal.CrashStarted), 1)
			require.NotNil(t, k.warnings()[0].Resolved)
			require.Empty(t, k.c.trouble())
		})
	}
}

// Law: never twice. Wherever the daemon is killed, the command leaves at most
// once for an occurrence, and a person hears of it when nobody can know.
func TestNoKillDoublesACommand(t *testing.T) {
	for point, want := range map[string]struct {
		sent   int
		unsure bool
	}{
		"recorded":             {0, true},
		"sent":                 {1, true},
		"before note":          {1, false},
		"after note":           {1, false},
		"before crash-started": {1, false},
		"after crash-started":  {1, false},
		"before warning":       {1, false},
		"after warning":        {1, false},
		"nowhere, and living":  {1, false},
	} {
		t.Run(point, func(t *testing.T) {
			k := newCooler(t)
			k.die = point
			k.heard(20)
			k.crashNow(1)
			kills := 0
			look := func() {
				for range 3 {
					if k.round() {
						kills++
					}
				}
			}
			look()
			require.Len(t, k.sent, want.sent)
			if want.unsure {
				require.Len(t, k.warnings(), 1, "said at once")
				require.Contains(t, k.warnings()[0].Message, "is not known (ebbline was stopped while the command was being sent). It is not sent again")
				require.Contains(t, k.c.trouble(), "never sent twice")
				require.Contains(t, k.c.aside(coolBatch), "look at the cooling yourself")
			}
			k.pass(3 * time.Hour)
			look()
			require.Len(t, k.warnings(), 1, "once, whatever happened")
			k.heard(15, 14)
			look()
			require.Len(t, k.entries(journal.CrashStarted), 1, "the beer is believed, not the record")
			require.NotNil(t, k.warnings()[0].Resolved)
			require.Len(t, k.sent, want.sent)
			require.Len(t, k.entries(journal.NoteEntry), 1, "the record says what was done")
			if point != "nowhere, and living" {
				require.Equal(t, 1, kills, "the point was never reached")
			}
		})
	}
}

// What certainly did not leave is tried again, and no more once it may have left.
func TestOnlyWhatDidNotLeaveIsTriedAgain(t *testing.T) {
	k := newCooler(t)
	k.crashNow(1)
	k.fail = fmt.Errorf("publish to cellar/cooler/set: no connection to the broker (%w)", broker.ErrNotSent)
	k.round()
	require.Contains(t, k.c.trouble(), "could not be sent yet (publish to cellar/cooler/set: no connection to the broker)")
	require.Contains(t, k.c.aside(coolBatch), "do not rely on it")
	k.fail = nil
	k.round()
	require.Empty(t, k.sent, "not at once")
	k.pass(commandRetry)
	k.start() // also over a restart
	k.round()
	require.Len(t, k.sent, 1)

	k = newCooler(t)
	k.crashNow(1)
	k.fail = errors.New("the broker did not acknowledge it in time")
	k.round()
	k.fail = nil
	k.pass(time.Hour)
	k.round()
	require.Empty(t, k.sent)
	require.Len(t, k.warnings(), 1)
}

// A command that could not leave is let go with the crash-now it was to answer.
func TestACommandNobodyNeedsIsLetGo(t *testing.T) {
	for name, end := range map[string]func(*cooler){
		"crash started": func(k *cooler) { at := k.clock.Now(); k.state.CrashStarted = &at },
		"past use":      func(k *cooler) { k.pass(commandPastUse) },
		"resolved": func(k *cooler) {
			require.NoError(k.t, k.j.Resolve(k.t.Context(), alertID(coolBatch, alert.CrashNow, 1), k.clock.Now()))
		},
	} {
		t.Run(name, func(t *testing.T) {
			k := newCooler(t)
			k.crashNow(1)
			k.fail = broker.ErrNotSent
			k.round()
			require.NotEmpty(t, k.c.trouble())
			end(k)
			k.fail = nil
			k.round()
			k.pass(time.Minute)
			k.round()
			require.Empty(t, k.c.trouble())
			require.Empty(t, k.c.aside(coolBatch))
			require.Empty(t, k.sent)
		})
	}
}

// A float that was swapped takes its vessel's command with it.
func TestTheCommandFollowsTheSensorsOfNow(t *testing.T) {
	k := newCooler(t)
	k.cooled = "float-2"
	k.crashNow(1)
	k.round()
	require.Empty(t, k.sent)
	_, err := k.j.AddEntry(t.Context(), journal.Entry{
		Batch: coolBatch, Kind: journal.SensorChanged, Time: k.clock.Now(), Entered: k.clock.Now(), Body: json.RawMessage(`{"sensors":["float-2"]}`),
	})
	require.NoError(t, err)
	k.round()
	require.Len(t, k.sent, 1)
}

// No command for what is over, of the past, or in the hands of a person.
func TestNoCommandWithoutNeed(t *testing.T) {
	for name, change := range map[string]func(*cooler){
		"a record from the past is being read": func(k *cooler) { k.live = false },
		"the crash has started":                func(k *cooler) { at := k.clock.Now(); k.state.CrashStarted = &at },
		"past use":                             func(k *cooler) { k.pass(commandPastUse) },
		"resolved": func(k *cooler) {
			require.NoError(k.t, k.j.Resolve(k.t.Context(), alertID(coolBatch, alert.CrashNow, 1), k.clock.Now()))
		},
		"packaged":                       func(k *cooler) { k.ended = true },
		"taken out of the configuration": func(k *cooler) { k.cmd = nil },
	} {
		t.Run(name, func(t *testing.T) {
			k := newCooler(t)
			k.crashNow(1)
			change(k)
			k.round()
			require.Empty(t, k.sent)
			require.Empty(t, k.warnings())
		})
	}
}

// Whoever packages the beer, starts the crash or takes the command out of the
// configuration ends what the phone was told.
func TestThePersonEndsTheCareForACommand(t *testing.T) {
	for name, act := range map[string]func(*cooler){
		"packaged":      func(k *cooler) { k.ended = true },
		"crash started": func(k *cooler) { at := k.clock.Now(); k.state.CrashStarted = &at },
		"taken out":     func(k *cooler) { k.start(); require.NoError(k.t, k.c.begin(k.t.Context())); k.cmd = nil },
	} {
		t.Run(name, func(t *testing.T) {
			k := newCooler(t)
			k.crashNow(1)
			for range 2 {
				k.round()
				k.pass(3 * time.Hour)
			}
			k.round()
			require.Nil(t, k.warnings()[0].Resolved)
			act(k)
			k.round()
			require.NotNil(t, k.warnings()[0].Resolved)
			require.Empty(t, k.c.trouble())
			require.Empty(t, k.c.aside(coolBatch))
			require.Len(t, k.sent, 1)
		})
	}
}

// Law: a crash that is struck out puts the batch into a person's hands. When
// crash-now is raised again, the switch is not touched again, also after a
// restart, and the sentence says so until the crash is entered anew.
func TestAStruckCrashDoesNotSwitchAgain(t *testing.T) {
	k := newCooler(t)
	k.heard(20)
	k.crashNow(1)
	k.round()
	k.heard(18, 17)
	k.round() // the beer follows
	require.Len(t, k.sent, 1)
	crash := k.entries(journal.CrashStarted)
	require.Len(t, crash, 1)
	k.round()
	require.Empty(t, k.c.aside(coolBatch), "the watch has only not read it yet")
	at := k.clock.Now()
	k.state.CrashStarted = &at
	k.round()

	k.state.CrashStarted = nil
	_, err := k.j.AddEntry(t.Context(), journal.Entry{
		Batch: coolBatch, Kind: journal.StruckEntry, Time: at, Entered: at, Body: json.RawMessage(fmt.Sprintf(`{"seq":%d,"kind":"crash-started"}`, crash[0].Seq)),
	})
	require.NoError(t, err)
	require.NoError(t, k.j.Resolve(t.Context(), alertID(coolBatch, alert.CrashNow, 1), at))
	k.crashNow(2)
	k.round()
	k.pass(30 * time.Hour) // past use of the first one
	k.crashNow(3)
	k.start()
	require.NoError(t, k.c.begin(t.Context()))
	k.round()
	require.Len(t, k.sent, 1, "once")
	require.Contains(t, k.c.aside(coolBatch), "struck out, so it is not sent again")

	k.state.CrashStarted = &at
	k.round()
	require.Empty(t, k.c.aside(coolBatch))
	require.Len(t, k.sent, 1)
}
