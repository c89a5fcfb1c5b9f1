package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// Law: title, words and figures of a repeat are of the moment at which it is sent,
// and no moment to start by has passed then, though no look has been since. Where
// the batch is not watched any more it says how old its words are.
func TestARepeatIsOfTheMomentOfItsSending(t *testing.T) {
	t.Parallel()
	w := newWatchroom(t, filepath.Join(captures, "plain-02", "batch.yaml"), mostAwake)
	w.options.Location, w.channels = time.UTC, []string{"webhook"}
	d := &daemon{journal: w.journal, keeper: w.keeper, log: slog.New(slog.DiscardHandler)}
	var a journal.Alert
	for _, l := range captureLines(t, filepath.Join(captures, "plain-02")) {
		w.hear(l)
		var err error
		if a, err = w.journal.Alert(t.Context(), alertID(w.file.Batch.ID, alert.CrashNow, 1)); err == nil {
			break
		}
	}
	require.Contains(t, a.Message, ", starting by 14:")
	ctx, cancel := context.WithCancel(t.Context())
	loop := background(ctx, func(ctx context.Context) { w.run(ctx, time.Hour, func() {}) })
	defer func() { cancel(); loop() }()

	var by, none int
	for range 60 {
		now := w.clock.Now().Add(time.Minute)
		w.clock.set(now)
		p := d.latest(t.Context(), a)
		require.Equal(t, a.Title, p.Title)
		require.Contains(t, p.Message, fmt.Sprintf("Now %.2f ± %.2f %% ABV", *p.ABV, *p.ABVSD))
		none++
		if _, at, ok := strings.Cut(p.Message, ", starting by "); ok {
			require.Greater(t, at[:5], now.UTC().Format("15:04"), p.Message)
			require.Equal(t, p.CrashBy.Truncate(5*time.Minute).Format("15:04"), at[:5])
			by, none = by+1, none-1
		}
	}
	require.Greater(t, by, 5)
	require.Greater(t, none, 5)

	s := newSink(t)
	cfg, err := config.Parse("c", []byte("data: /nowhere\nnotify: [{webhook: "+s.URL+"/hook}]"), os.LookupEnv)
	require.NoError(t, err)
	ladder, err := newChannels(cfg)
	require.NoError(t, err)
	box := background(ctx, deliver.NewOutbox(w.journal, ladder, deliver.Options{Now: w.clock.Now, Poll: time.Millisecond, Latest: d.latest}).Run)
	defer func() { cancel(); box() }()
	told := func(n int) map[string]any {
		t.Helper()
		require.Eventually(t, func() bool { return len(s.of("crash-now")) >= n }, longEnough, time.Millisecond)
		return s.of("crash-now")[n-1].Body
	}
	late := told(1)
	p := d.latest(t.Context(), a)
	require.Equal(t, []any{p.Title, p.Message, *p.ABV, *p.Gravity}, []any{late["title"], late["message"], late["abv"], late["gravity"]}, "an hour late")
	require.Equal(t, []any{a.ID, a.Raised.UTC().Format(time.RFC3339)}, []any{late["id"], late["time"]}, "one alert, whenever it is told")
	require.Eventually(t, func() bool { // the next is queued for five minutes from now
		all, err := w.journal.Deliveries(t.Context(), a.ID)
		return err == nil && all[len(all)-1].N == 2
	}, longEnough, time.Millisecond)
	w.ended(a.Batch)
	w.clock.set(w.clock.Now().Add(6 * time.Minute))
	again := told(2)
	require.Equal(t, "Unanswered: "+a.Title, again["title"])
	require.Equal(t, "This was said 70 minutes ago; nothing newer is known.\n\n"+a.Message, again["message"])
	require.Less(t, again["abv"], late["abv"], "the figures of its words")
}

// Law: the figures of a message are those of its words, also when hand samples have
// moved the belief since its last event, and of the last message of a batch.
func TestTheFiguresOfAMessageAreThoseOfItsWords(t *testing.T) {
	t.Parallel()
	w := newWatchroom(t, filepath.Join(captures, "plain-02", "batch.yaml"), mostAwake)
	id := w.file.Batch.ID
	enter := func(kind journal.EntryKind, after time.Duration, body string) {
		t.Helper()
		now := w.clock.Now().Add(after)
		_, err := w.journal.AddEntry(t.Context(), journal.Entry{Batch: id, Kind: kind, Time: now, Entered: now, Body: []byte(body)})
		require.NoError(t, err)
		w.entered(id)
		w.at(now.Add(settle))
	}
	hook := func(kind alert.Kind) deliver.Hook {
		t.Helper()
		a, err := w.journal.Alert(t.Context(), alertID(id, kind, 1))
		require.NoError(t, err)
		var h deliver.Hook
		require.NoError(t, json.Unmarshal(a.Body, &h))
		require.Equal(t, a.Message, h.Message)
		return h
	}
	enter(journal.SampleEntry, 44*time.Hour, `{"Gravity":1.0095}`)
	enter(journal.SampleEntry, time.Minute, `{"Gravity":1.0080}`)
	over := hook(alert.OverCeiling)
	require.Contains(t, over.Message, fmt.Sprintf("It is believed to be at %.2f ± %.2f %% ABV", *over.ABV, *over.ABVSD))
	events := w.said(id)
	require.NotContains(t, events[len(events)-3], fmt.Sprintf(`"abv":%v,`, *over.ABV), "no event tells it: the last is of minutes before")
	enter(journal.Packaged, time.Minute, `{"into":"keg"}`)
	last := hook(alert.StillFermenting)
	require.Contains(t, last.Message, fmt.Sprintf("It held %.2f ± %.2f %% ABV", *last.ABV, *last.ABVSD))
}

// Law: what a channel needs and cannot have is told with the place of the
// channel in the configuration.
func TestChannelsThatCannotBeMadeSayWhere(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	t.Setenv(config.MailPasswordEnv, "")
	mail := `{server: "smtp.example:587", user: orla, from: a@cellar.example, to: [b@cellar.example]`
	for text, says := range map[string]string{
		`{ntfy: "https://ntfy.example/b", token_file: ` + dir + `/absent}`:     "phone: reading a secret",
		`{ntfy: {url_file: ` + empty + `}}`:                                    "phone: the address is not a whole",
		`{webhook: "https://hook.example/b", ca_file: ` + dir + `/absent}`:     "phone: reading the authorities",
		`{webhook: "https://hook.example/b", ca_file: ` + empty + `}`:          "holds no certificate",
		`{webhook: "https://hook.example/b", secret_file: ` + dir + `/absent}`: "phone: reading a secret",
		`{mail: ` + mail + `}}`: "phone: the password of the user is empty",
		`{mail: ` + mail + `, password_file: ` + dir + `/absent}}`:                "phone: reading a secret",
		`{mail: ` + mail + `, password_file: ` + dir + `, ca_file: ` + dir + `}}`: "phone: reading",
		`{shoutrrr: "slack://swordfish"}`:                                         "phone: this is not a whole address of slack",
	} {
		text := "data: /nowhere\nnotify:\n  - " + text[:len(text)-1] + ", name: phone}"
		cfg, err := config.Parse("ebbline.yaml", []byte(text), os.LookupEnv)
		require.NoError(t, err, text)
		_, err = newChannels(cfg)
		require.ErrorContains(t, err, "ebbline.yaml:3:5: notify: ", text)
		require.ErrorContains(t, err, says)
		require.NotContains(t, err.Error(), "swordfish")
		require.ErrorAs(t, err, &usageError{})
	}
}

// A brewer may be told by mail or by a program of their own: no word of health says
// that a phone is reached, and none that it was before a message was taken.
func TestHealthSaysHowMessagesGetOut(t *testing.T) {
	t.Parallel()
	health := func(st deliver.Status) string { return phoneWords([]deliver.Status{st}).Text }
	require.Equal(t, "No message had to be sent yet. Send a test to know that messages reach you.", health(deliver.Status{Name: "letter"}))
	require.Equal(t, "Messages get out by letter.", health(deliver.Status{Name: "letter", LastSuccess: time.Now()}))
	at := time.Now()
	failing := deliver.Status{Name: "hook", LastSuccess: at.Add(-time.Hour), LastFailure: at, FailingSince: at}
	require.Equal(t, "No message gets out now: the last that hook was to take failed. Alerts are only on this page until that works; look at it often.", health(failing))
	require.False(t, phoneWords([]deliver.Status{failing}).OK)
	require.False(t, reachesNobody([]deliver.Status{failing}), "it may be away for a minute")
	both := func(second deliver.Status) *page.HealthItem { return phoneWords([]deliver.Status{failing, second}) }
	require.Equal(t, "Messages get out by letter.", both(deliver.Status{Name: "letter", LastSuccess: at}).Text)
	require.Equal(t, "letter had no message to take yet. Send a test to know that messages reach you.", both(deliver.Status{Name: "letter"}).Text)
	require.Contains(t, both(deliver.Status{Name: "letter", FailingSince: at, Unreachable: true}).Text, "now: the last that hook, letter was to take")
	require.Contains(t, health(deliver.Status{Name: "letter", Unreachable: true}), "No message gets out: letter took none for ten minutes or more.")
}

// A channel that takes nothing urgent is none by which messages get out, unless
// there is no other.
func TestHealthSpeaksOfWhatTakesUrgentMessages(t *testing.T) {
	t.Parallel()
	heard := func(severities ...[]string) (names []string) {
		var rungs []deliver.Rung
		for i, some := range severities {
			rungs = append(rungs, deliver.Rung{Channel: &takes{name: fmt.Sprint(i)}, Severities: some})
		}
		d := &daemon{}
		d.ladder.Store(&ladder{Outbox: deliver.NewOutbox(nil, rungs, deliver.Options{}), rungs: rungs})
		for _, c := range d.urgentChannels() {
			names = append(names, c.Name)
		}
		return names
	}
	require.Equal(t, []string{"0", "2"}, heard(nil, []string{"info", "warning"}, []string{"urgent"}))
	require.Equal(t, []string{"0"}, heard([]string{"info"}))
	require.Empty(t, heard())
}

// A message of a batch that has not come to the present says first of when it is, by
// the clock: it may be read later than it is sent.
func TestOldBeliefIsToldWithItsTime(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 4, 9, 40, 30, 0, time.UTC)
	require.Equal(t, "This is how the beer stood at 10:40 on Wed 4 Mar. What has come since is still being taken in.", pastWords(at, time.FixedZone("", 3600)))
}
