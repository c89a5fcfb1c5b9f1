package main

import (
	"encoding/json"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/projection"
)

// What the brewer said of clocks, numbers and sleep reaches the watch; a batch's
// own quiet hours go before those of the configuration.
func TestTheWatchReadsClocksAsTheBrewerDoes(t *testing.T) {
	rome, err := time.LoadLocation("Europe/Rome")
	require.NoError(t, err)
	cfg := &config.Config{Quiet: &config.Quiet{From: 1350, To: 390}, Zone: rome, Units: config.Units{Plato: true, Fahrenheit: true}}
	o := brewerOptions(cfg)
	require.Equal(t, alert.Options{Location: rome, Quiet: &alert.Quiet{From: 1350, To: 390}, Plato: true, Fahrenheit: true}, o)
	require.Equal(t, o.Quiet, watchOptions(config.BatchFile{}, o).Quiet)
	own := config.BatchFile{Quiet: &config.Quiet{From: 0, To: 480}}
	require.Equal(t, &alert.Quiet{From: 0, To: 480}, watchOptions(own, o).Quiet)
	plain := brewerOptions(&config.Config{})
	require.Equal(t, alert.Options{Location: time.Local}, plain)
}

// The journal keeps why an alert was raised and why it ended, each under a number
// of its own, beside the contract's line.
func TestTheJournalKeepsWhyAnAlertWasRaised(t *testing.T) {
	at := time.Date(2026, 3, 4, 21, 1, 0, 0, time.UTC)
	k := newKeeper(nil, &steppedClock{}, t.TempDir(), nil, slog.New(slog.DiscardHandler))
	r := &kept{file: config.BatchFile{Batch: projection.Batch{Name: "pale wheat 12"}}, watched: watched{said: 7}}
	w, err := k.words("pale-wheat-12", r, []alert.Event{
		{Time: at, Alert: &alert.Alert{Kind: alert.CrashNow, N: 2, Severity: alert.Urgent, Title: "t", Message: "m", Cause: "too late otherwise"}},
		{Time: at, Resolved: &alert.Resolved{Kind: alert.CrashSoon, N: 1, Why: "the next stage has come"}},
	})
	require.NoError(t, err)
	require.Len(t, w.events, 3)
	for i, want := range []string{"alert", "raised", "resolved"} {
		require.Equal(t, want, w.events[i].Type)
		require.Equal(t, int64(8+i), w.events[i].N)
	}
	require.NotContains(t, string(w.events[0].Body), "too late", "the contract's line has its own fields only")
	var raised struct {
		Kind string
		N    int
		Why  string
	}
	require.NoError(t, json.Unmarshal(w.events[1].Body, &raised))
	require.Equal(t, "crash-now", raised.Kind)
	require.Equal(t, 2, raised.N)
	require.Equal(t, "too late otherwise", raised.Why)
}
