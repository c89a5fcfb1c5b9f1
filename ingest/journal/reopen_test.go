package journal_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// packs enters a packaging of wheat-12 and ends the batch as its watch does: what was
// open is closed, and a caution about the packaged beer is open. It returns the entry.
func packs(t *testing.T, j *journal.Journal, after time.Duration, key string) int64 {
	t.Helper()
	at := pitch.Add(after)
	seq, err := j.AddEntry(t.Context(), journal.Entry{Batch: "wheat-12", Kind: journal.Packaged, Time: at.Add(-time.Hour), Entered: at, Body: json.RawMessage(`{"into":"keg"}`), Key: key})
	require.NoError(t, err)
	caution := alarm(1)
	caution.ID, caution.Kind, caution.Severity, caution.Token = "wheat-12/still-fermenting/1", "still-fermenting", "warning", "token-caution"
	require.NoError(t, j.Say(t.Context(), "wheat-12", seq, []byte("snapshot"), []journal.Event{event(2, "alert")}, []journal.Alert{caution},
		[]string{alarm(1).ID}, at.Add(time.Second), []journal.Delivery{{Alert: caution.ID, Channel: "ntfy", N: 1, Due: at}}))
	require.NoError(t, j.EndBatch(t.Context(), "wheat-12", at.Add(-time.Hour)))
	return seq
}

func strike(t *testing.T, j *journal.Journal, seq int64, after time.Duration) error {
	t.Helper()
	at := pitch.Add(after)
	_, err := j.AddEntry(t.Context(), journal.Entry{
		Batch: "wheat-12", Kind: journal.StruckEntry, Time: at, Entered: at, Key: journal.StrikeKey(seq), Body: fmt.Appendf(nil, `{"seq":%d,"kind":"packaged"}`, seq),
	})
	return err
}

// A packaging that is struck out has not been: the batch runs with its sensors, what it
// closed is open and told on, what it raised is over, and the watch runs again from the
// pitch. Striking it out again, as by a second phone, changes nothing.
func TestAPackagingStruckOutHasNotBeen(t *testing.T) {
	t.Parallel()
	j := withBatch(t, "float-1", "probe")
	over := alarm(2) // before the packaging, and stays so
	over.Token = "token-over"
	first := journal.Delivery{Alert: alarm(1).ID, Channel: "ntfy", N: 1, Due: pitch.Add(2 * time.Hour)}
	saying{seq: 3, events: []journal.Event{event(1, "alert")}, alerts: []journal.Alert{alarm(1), over}, resolved: []string{over.ID}, deliveries: []journal.Delivery{first}}.say(t, j)
	_, err := j.Acknowledge(t.Context(), over.ID, pitch.Add(2*time.Hour))
	require.NoError(t, err)
	command := alarm(1) // none of the watch's
	command.ID, command.Kind, command.Token = "wheat-12/not-cooling/command-1", "not-cooling", "token-command"
	require.NoError(t, j.Say(t.Context(), "wheat-12", 3, nil, nil, []journal.Alert{command}, nil, pitch.Add(4*time.Hour), nil))
	seq := packs(t, j, 10*time.Hour, "once")
	require.NoError(t, j.Resolve(t.Context(), command.ID, pitch.Add(10*time.Hour+time.Minute)))
	waiting, err := j.Due(t.Context(), pitch.Add(11*time.Hour), 0)
	require.NoError(t, err)
	require.Len(t, waiting, 2)
	require.NoError(t, j.MarkDone(t.Context(), waiting[0].ID, pitch.Add(10*time.Hour+time.Minute), "dropped", "resolved"))

	require.NoError(t, strike(t, j, seq, 12*time.Hour))
	b, err := j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Nil(t, b.Ended)
	_, err = j.CreateBatch(t.Context(), journal.Batch{ID: "stout-3", Started: pitch, Sensors: []string{"probe"}})
	require.ErrorAs(t, err, new(journal.ErrSensorClaimed), "it has its sensors again")
	resolved := map[string]*time.Time{}
	all, err := j.Alerts(t.Context(), "wheat-12", false)
	require.NoError(t, err)
	for _, a := range all {
		resolved[a.ID] = a.Resolved
	}
	struckAt, before, after := pitch.Add(12*time.Hour), pitch.Add(3*time.Hour), pitch.Add(10*time.Hour+time.Minute)
	require.Equal(t, map[string]*time.Time{alarm(1).ID: nil, over.ID: &before, command.ID: &after, "wheat-12/still-fermenting/1": &struckAt}, resolved)
	waiting, err = j.Due(t.Context(), pitch.Add(12*time.Hour), 0)
	require.NoError(t, err)
	require.Len(t, waiting, 2, "what was dropped for the packaging is told on")
	snapshot, _, lastN, err := j.WatchState(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.NotEqual(t, "snapshot", string(snapshot))
	require.EqualValues(t, 2, lastN, "numbers go on")

	again := packs(t, j, 20*time.Hour, "twice")
	require.NoError(t, strike(t, j, seq, 21*time.Hour))
	b, err = j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.NotNil(t, b.Ended, "the first is struck out already: the second ends it")
	require.NoError(t, strike(t, j, again, 22*time.Hour))
	require.NoError(t, j.Check(t.Context()))
}

// While another batch has a sensor nothing is struck out: all of it is one transaction.
func TestAPackagingStandsWhileItsSensorIsTaken(t *testing.T) {
	t.Parallel()
	j := withBatch(t, "float-1", "probe")
	saying{seq: 3, events: []journal.Event{event(1, "alert")}, alerts: []journal.Alert{alarm(1)}}.say(t, j)
	seq := packs(t, j, 10*time.Hour, "once")
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "stout-3", Started: pitch, Sensors: []string{"probe"}})
	require.NoError(t, err)
	before := everything(t, j)
	var taken journal.ErrSensorClaimed
	require.ErrorAs(t, strike(t, j, seq, 12*time.Hour), &taken)
	require.Equal(t, journal.ErrSensorClaimed{Sensor: "probe", Batch: "stout-3"}, taken)
	require.Equal(t, before, everything(t, j))
	b, err := j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.NotNil(t, b.Ended)
	entries, err := j.Entries(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Len(t, entries, 1)

	require.NoError(t, j.EndBatch(t.Context(), "stout-3", pitch.Add(13*time.Hour)))
	require.NoError(t, strike(t, j, seq, 14*time.Hour))
	require.NoError(t, strike(t, j, 99, 14*time.Hour), "of nothing it is an entry like any other")
	b, err = j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Nil(t, b.Ended)
}

// The watch has read of a packaging and is killed before it has ended the batch: what
// was closed is open as well when that is struck out. Of one that no watch has read,
// nothing was closed or raised.
func TestAPackagingStruckOutBeforeTheBatchIsEnded(t *testing.T) {
	t.Parallel()
	for name, read := range map[string]bool{"read": true, "not read": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			j := withBatch(t, "float-1", "probe")
			saying{seq: 3, events: []journal.Event{event(1, "alert")}, alerts: []journal.Alert{alarm(1)}}.say(t, j)
			at := pitch.Add(10 * time.Hour)
			seq, err := j.AddEntry(t.Context(), journal.Entry{Batch: "wheat-12", Kind: journal.Packaged, Time: at, Entered: at, Body: json.RawMessage(`{"into":"keg"}`)})
			require.NoError(t, err)
			if read {
				require.NoError(t, j.Say(t.Context(), "wheat-12", seq, []byte("snapshot"), nil, nil, []string{alarm(1).ID}, at.Add(time.Second), nil))
			}
			require.NoError(t, strike(t, j, seq, 12*time.Hour))
			open, err := j.Alerts(t.Context(), "wheat-12", true)
			require.NoError(t, err)
			require.Len(t, open, 1)
			require.Equal(t, alarm(1).ID, open[0].ID, "it is open as it was")
		})
	}
}

// A packaging entered under a clock that ran ahead and was put right since: what was
// dropped for it is told when it is struck out, not when that clock comes true.
func TestAPackagingStruckOutUnderAClockSetBack(t *testing.T) {
	t.Parallel()
	j := withBatch(t, "float-1", "probe")
	next := journal.Delivery{Alert: alarm(1).ID, Channel: "ntfy", N: 2, Due: pitch.Add(72*time.Hour + 5*time.Minute)}
	saying{seq: 3, events: []journal.Event{event(1, "alert")}, alerts: []journal.Alert{alarm(1)}, deliveries: []journal.Delivery{next}}.say(t, j)
	seq := packs(t, j, 72*time.Hour, "once")
	waiting, err := j.Due(t.Context(), pitch.Add(73*time.Hour), 0)
	require.NoError(t, err)
	for _, d := range waiting {
		require.NoError(t, j.MarkDone(t.Context(), d.ID, next.Due, "dropped", "resolved"))
	}
	_, err = j.PutRight(t.Context(), pitch.Add(10*time.Hour))
	require.NoError(t, err)
	require.NoError(t, strike(t, j, seq, 12*time.Hour))
	waiting, err = j.Due(t.Context(), pitch.Add(12*time.Hour), 0)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.Equal(t, alarm(1).ID, waiting[0].Alert)
}

// What is reopened is told on; what is not resolved stays as it is.
func TestAnAlertIsReopened(t *testing.T) {
	t.Parallel()
	j := withBatch(t, "float-1", "probe")
	first := journal.Delivery{Alert: alarm(1).ID, Channel: "ntfy", N: 1, Due: pitch.Add(2 * time.Hour)}
	saying{seq: 3, events: []journal.Event{event(1, "alert")}, alerts: []journal.Alert{alarm(1)}, deliveries: []journal.Delivery{first}}.say(t, j)
	before := everything(t, j)
	require.NoError(t, j.Reopen(t.Context(), alarm(1).ID, pitch.Add(3*time.Hour)))
	require.Equal(t, before, everything(t, j))
	waiting, err := j.Due(t.Context(), pitch.Add(3*time.Hour), 0)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.NoError(t, j.Resolve(t.Context(), alarm(1).ID, pitch.Add(3*time.Hour)))
	require.NoError(t, j.MarkDone(t.Context(), waiting[0].ID, pitch.Add(4*time.Hour), "dropped", "resolved"))

	require.NoError(t, j.Reopen(t.Context(), alarm(1).ID, pitch.Add(5*time.Hour)))
	open, err := j.Alerts(t.Context(), "wheat-12", true)
	require.NoError(t, err)
	require.Len(t, open, 1)
	waiting, err = j.Due(t.Context(), pitch.Add(5*time.Hour), 0)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.ErrorIs(t, j.Reopen(t.Context(), "wheat-12/crash-now/9", pitch), journal.ErrNotFound)
}
