package main

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// Law: a repeat carries the sentence and the figures of one look, the last one,
// and not those of the moment when the alert was raised.
func TestARepeatCarriesTheFiguresOfItsSentence(t *testing.T) {
	j := journaltest.Open(t)
	raised := time.Date(2026, 3, 4, 21, 0, 0, 0, time.UTC)
	a := journal.Alert{
		ID: "pale-wheat-12/crash-now/1", Batch: "pale-wheat-12", Kind: "crash-now", Severity: "urgent", Title: "Crash now", Message: "Start the crash now.",
		Raised: raised, Recorded: raised, Token: "t", Body: []byte(`{"id":"pale-wheat-12/crash-now/1","batch":"pale wheat 12","kind":"crash-now","severity":"urgent",` +
			`"time":"2026-03-04T21:00:00Z","crash_by":"2026-03-04T21:40:00Z","abv":0.36,"abv_sd":0.07,"gravity":1.0104,"gravity_sd":0.0005}`),
	}
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: a.Batch, Name: "pale wheat 12", Spec: []byte("{}"), Started: raised})
	require.NoError(t, err)
	require.NoError(t, j.Say(t.Context(), a.Batch, 0, nil, nil, []journal.Alert{a}, nil, raised, deliver.Plan(a, []string{"webhook"}, raised)))
	d := &daemon{journal: j, log: slog.New(slog.DiscardHandler)}
	require.Equal(t, deliver.Present{}, d.latest(t.Context(), a), "nothing newer is known")
	s := newSink(t)
	cfg, err := config.Parse("c", []byte("data: /nowhere\nnotify: [{webhook: "+s.URL+"/hook}]"), os.LookupEnv)
	require.NoError(t, err)
	ladder, err := newChannels(cfg)
	require.NoError(t, err)
	var now atomic.Int64
	now.Store(raised.UnixMicro())
	box := deliver.NewOutbox(j, ladder, deliver.Options{Now: func() time.Time { return time.UnixMicro(now.Load()) }, Poll: time.Millisecond, Latest: d.latest})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); box.Run(ctx) }()
	defer func() { cancel(); <-done }()

	require.Eventually(t, func() bool { return len(s.of("crash-now")) == 1 }, longEnough, time.Millisecond)
	require.NoError(t, j.Set(t.Context(), page.SentenceKey(a.Batch), `{"time":"2026-03-04T21:04:00Z","text":"It is late: crash at once.",
		"estimate":{"type":"estimate","time":"2026-03-04T21:04:00Z","gravity":1.0101,"gravity_sd":0.0004,"abv":0.4,"abv_sd":0.06,"temperature":19},
		"projection":{"type":"projection","time":"2026-03-04T21:04:00Z","crash_by":"2026-03-04T20:50:00Z","fan":[],"dots":[]}}`))
	require.Eventually(t, func() bool { // the first may be recorded after the clock has moved
		now.Add((5 * time.Minute).Microseconds())
		return len(s.of("crash-now")) >= 2
	}, 20*time.Second, 10*time.Millisecond)
	first, again := s.of("crash-now")[0].Body, s.of("crash-now")[1].Body
	require.Equal(t, []any{"Start the crash now.", 0.36, "2026-03-04T21:40:00Z"}, []any{first["message"], first["abv"], first["crash_by"]})
	require.Equal(t, []any{"It is late: crash at once.", 0.4, 0.06, 1.0101, 0.0004, "2026-03-04T20:50:00Z"},
		[]any{again["message"], again["abv"], again["abv_sd"], again["gravity"], again["gravity_sd"], again["crash_by"]})
	require.Equal(t, []any{first["id"], first["time"]}, []any{again["id"], again["time"]}, "one alert, told again")

	for _, bad := range []string{"{", `{"text":"x","estimate":[]}`, `{"text":"x","projection":[]}`} {
		_, err := presentOf([]byte(bad))
		require.Error(t, err, bad)
	}
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
