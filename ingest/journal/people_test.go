package journal_test

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// contextOf is the context of a *testing.T or *rapid.T.
func contextOf(t require.TestingT) context.Context {
	return t.(interface{ Context() context.Context }).Context()
}

func TestSensorBelongsToOneRunningBatch(t *testing.T) {
	j := withBatch(t, "float-1", "probe", "float-1")
	create := func(id string, sensors ...string) (bool, error) {
		return j.CreateBatch(t.Context(), journal.Batch{ID: id, Started: pitch.Add(time.Hour), Sensors: sensors})
	}
	created, err := create("wheat-12", "float-9")
	require.NoError(t, err)
	require.False(t, created, "that ID exists")
	_, err = create("stout-3", "float-2", "probe")
	var claimed journal.ErrSensorClaimed
	require.ErrorAs(t, err, &claimed)
	require.Equal(t, journal.ErrSensorClaimed{Sensor: "probe", Batch: "wheat-12"}, claimed)
	_, err = j.Batch(t.Context(), "stout-3")
	require.ErrorIs(t, err, journal.ErrNotFound, "nothing of it was stored")

	require.NoError(t, j.EndBatch(t.Context(), "wheat-12", pitch.Add(48*time.Hour)))
	require.NoError(t, j.EndBatch(t.Context(), "wheat-12", pitch.Add(72*time.Hour)))
	created, err = create("stout-3", "float-2", "probe")
	require.NoError(t, err)
	require.True(t, created)

	all, err := j.Batches(t.Context())
	require.NoError(t, err)
	ended := pitch.Add(48 * time.Hour)
	require.Equal(t, []journal.Batch{
		{ID: "stout-3", Sensors: []string{"float-2", "probe"}, Started: pitch.Add(time.Hour)},
		{ID: "wheat-12", Name: "pale wheat 12", Spec: json.RawMessage(`{"ceiling":0.5}`), Sensors: []string{"float-1", "probe"}, Started: pitch, Ended: &ended},
	}, all)
	require.ErrorIs(t, j.EndBatch(t.Context(), "nobody", pitch), journal.ErrNotFound)
	_, err = create("")
	require.ErrorIs(t, err, journal.ErrInvalid)
}

func TestEntriesAreKeptOnceByKey(t *testing.T) {
	j := withBatch(t, "float-1")
	sample := journal.Entry{Batch: "wheat-12", Kind: journal.SampleEntry, Time: pitch, Entered: pitch.Add(time.Minute), Body: json.RawMessage(`{"gravity":1.0115}`), Key: "file/1"}
	first, err := j.AddEntry(t.Context(), sample)
	require.NoError(t, err)
	second, err := j.AddEntry(t.Context(), sample)
	require.NoError(t, err)
	require.Equal(t, first, second)
	note := journal.Entry{Batch: "wheat-12", Kind: journal.NoteEntry, Time: pitch, Entered: pitch, Body: json.RawMessage(`{}`)}
	third, err := j.AddEntry(t.Context(), note)
	require.NoError(t, err)
	fourth, err := j.AddEntry(t.Context(), note)
	require.NoError(t, err)
	require.Less(t, first, third)
	require.Less(t, third, fourth, "without a key it is a new one")

	sample.Seq = first
	all, err := j.Entries(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Len(t, all, 3)
	require.Equal(t, sample, all[0])
	sample.Batch = "nobody"
	_, err = j.AddEntry(t.Context(), sample)
	require.ErrorIs(t, err, journal.ErrNotFound)
	_, err = j.AddEntry(t.Context(), journal.Entry{Batch: "wheat-12", Kind: journal.NoteEntry})
	require.ErrorIs(t, err, journal.ErrInvalid)
}

func TestChangedSensorsMoveTheClaim(t *testing.T) {
	j := withBatch(t, "float-1")
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "stout-3", Started: pitch, Sensors: []string{"float-2"}})
	require.NoError(t, err)
	change := func(body string) error {
		_, err := j.AddEntry(t.Context(), journal.Entry{Batch: "wheat-12", Kind: journal.SensorChanged, Time: pitch, Entered: pitch, Body: json.RawMessage(body)})
		return err
	}
	var claimed journal.ErrSensorClaimed
	require.ErrorAs(t, change(`{"sensors":["float-2"]}`), &claimed)
	require.ErrorIs(t, change(`["float-3"]`), journal.ErrInvalid)
	b, err := j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Equal(t, []string{"float-1"}, b.Sensors)
	require.NoError(t, change(`{"sensors":["float-1","float-3"]}`))
	b, err = j.Batch(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Equal(t, []string{"float-1", "float-3"}, b.Sensors)
	entries, err := j.Entries(t.Context(), "wheat-12")
	require.NoError(t, err)
	require.Len(t, entries, 1, "the refused ones left nothing")
}

func TestAlertFromRaisedToResolved(t *testing.T) {
	j := withBatch(t)
	saying{seq: 1, alerts: []journal.Alert{alarm(1), alarm(2)}}.say(t, j)
	id := alarm(1).ID
	a, err := j.AlertByToken(t.Context(), "token-1")
	require.NoError(t, err)
	require.Equal(t, alarm(1), a)

	changed, err := j.Acknowledge(t.Context(), id, pitch.Add(3*time.Hour))
	require.NoError(t, err)
	require.True(t, changed)
	changed, err = j.Acknowledge(t.Context(), id, pitch.Add(4*time.Hour))
	require.NoError(t, err)
	require.False(t, changed, "the second tap changes nothing")
	require.NoError(t, j.Snooze(t.Context(), id, pitch.Add(5*time.Hour)))
	require.NoError(t, j.Snooze(t.Context(), id, pitch.Add(6*time.Hour)))
	require.NoError(t, j.Resolve(t.Context(), id, pitch.Add(7*time.Hour)))
	require.NoError(t, j.Resolve(t.Context(), id, pitch.Add(8*time.Hour)))

	a, err = j.Alert(t.Context(), id)
	require.NoError(t, err)
	require.Equal(t, []time.Time{pitch.Add(3 * time.Hour), pitch.Add(6 * time.Hour), pitch.Add(7 * time.Hour)}, []time.Time{*a.Acknowledged, *a.SnoozedUntil, *a.Resolved})
	open, err := j.Alerts(t.Context(), "wheat-12", true)
	require.NoError(t, err)
	require.Equal(t, []journal.Alert{alarm(2)}, open)
	all, err := j.Alerts(t.Context(), "", false)
	require.NoError(t, err)
	require.Len(t, all, 2)

	for name, err := range map[string]error{
		"alert":       errOf(j.Alert(t.Context(), "nobody/ph/1")),
		"acknowledge": errOf(j.Acknowledge(t.Context(), "nobody/ph/1", pitch)),
		"token":       errOf(j.AlertByToken(t.Context(), "")),
		"resolve":     j.Resolve(t.Context(), "nobody/ph/1", pitch),
		"snooze":      j.Snooze(t.Context(), "nobody/ph/1", pitch),
	} {
		require.ErrorIs(t, err, journal.ErrNotFound, name)
	}
}

func errOf[T any](_ T, err error) error { return err }

func TestDeliveryFromQueuedToDone(t *testing.T) {
	j := withBatch(t)
	saying{seq: 1, alerts: []journal.Alert{alarm(1)}}.say(t, j)
	id := alarm(1).ID
	queue := []journal.Delivery{{Alert: id, Channel: "mail", N: 1, Due: pitch.Add(2 * time.Minute)}, {Alert: id, Channel: "ntfy", N: 1, Due: pitch.Add(time.Minute)}}
	require.NoError(t, j.Queue(t.Context(), queue))
	require.NoError(t, j.Queue(t.Context(), queue), "queued once")
	next, waiting, err := j.NextDue(t.Context())
	require.NoError(t, err)
	require.True(t, waiting)
	require.Equal(t, pitch.Add(time.Minute), next)

	due := func(after time.Duration, limit int) []journal.Delivery {
		d, err := j.Due(t.Context(), pitch.Add(after), limit)
		require.NoError(t, err)
		return d
	}
	require.Empty(t, due(59*time.Second, 0))
	require.Len(t, due(time.Minute, 0), 1)
	require.Len(t, due(time.Hour, 0), 2)
	first := due(time.Hour, 1)[0]
	require.Equal(t, "ntfy", first.Channel)

	require.NoError(t, j.MarkStarted(t.Context(), first.ID, pitch.Add(time.Minute)))
	started := due(time.Hour, 1)[0]
	require.Equal(t, 1, started.Attempts)
	require.Equal(t, pitch.Add(time.Minute), *started.Started)
	require.NoError(t, j.Postpone(t.Context(), first.ID, pitch.Add(3*time.Minute), "no route to host"))
	require.Equal(t, "mail", due(2*time.Minute, 0)[0].Channel)
	postponed := due(time.Hour, 0)[1]
	require.Nil(t, postponed.Started)
	require.Equal(t, "no route to host", postponed.Error)
	require.NoError(t, j.MarkStarted(t.Context(), first.ID, pitch.Add(3*time.Minute)))
	require.NoError(t, j.MarkDone(t.Context(), first.ID, pitch.Add(4*time.Minute), "accepted", ""))
	require.NoError(t, j.MarkDone(t.Context(), first.ID, pitch.Add(5*time.Minute), "dropped", "late"), "done is done")
	require.NoError(t, j.Postpone(t.Context(), first.ID, pitch, "late"))

	all, err := j.Deliveries(t.Context(), id)
	require.NoError(t, err)
	begun, done := pitch.Add(3*time.Minute), pitch.Add(4*time.Minute)
	require.Equal(t, journal.Delivery{ID: first.ID, Alert: id, Channel: "ntfy", N: 1, Due: begun, Attempts: 2, Started: &begun, Done: &done, Outcome: "accepted"}, all[1])
	require.Len(t, due(time.Hour, 0), 1)
	require.Equal(t, 1, j.Stats().Pending)
	require.ErrorIs(t, j.MarkStarted(t.Context(), 99, pitch), journal.ErrNotFound)
	require.ErrorIs(t, j.MarkDone(t.Context(), first.ID, pitch, "", ""), journal.ErrInvalid)
	require.ErrorIs(t, j.Queue(t.Context(), []journal.Delivery{{Alert: "nobody/ph/1", Channel: "ntfy", N: 1, Due: pitch}}), journal.ErrNotFound)
}

func TestSettingsAndCursors(t *testing.T) {
	j := journaltest.Open(t)
	_, set, err := j.Get(t.Context(), "client-id")
	require.NoError(t, err)
	require.False(t, set)
	for _, offered := range []string{"ebbline-4f", "ebbline-9c"} {
		id, err := j.GetOrSet(t.Context(), "client-id", offered)
		require.NoError(t, err)
		require.Equal(t, "ebbline-4f", id)
	}
	require.NoError(t, j.Set(t.Context(), "client-id", ""))
	v, set, err := j.Get(t.Context(), "client-id")
	require.NoError(t, err)
	require.True(t, set)
	require.Empty(t, v)

	for _, at := range []int64{0, 7, 3} {
		if at > 0 {
			require.NoError(t, j.SetCursor(t.Context(), "mirror", at))
		}
		got, err := j.Cursor(t.Context(), "mirror")
		require.NoError(t, err)
		require.Equal(t, at, got)
	}
}

func TestChangesTellOnceHoweverMuchWasCommitted(t *testing.T) {
	j := journaltest.Open(t)
	changes, stop := j.Changes()
	other, stopOther := j.Changes()
	for range 5 {
		require.NoError(t, j.Set(t.Context(), "a", "b"))
	}
	<-changes
	select {
	case <-changes:
		t.Fatal("a second signal for the same commits")
	default:
	}
	require.NoError(t, j.SetCursor(t.Context(), "mirror", 1))
	select {
	case <-changes:
		t.Fatal("a follower's cursor wakes the followers")
	default:
	}
	require.NoError(t, j.Set(t.Context(), "a", "c"))
	<-changes
	stop()
	stop()
	_, open := <-changes
	require.False(t, open)
	<-other
	require.NoError(t, j.Close())
	_, open = <-other
	require.False(t, open, "closing the journal ends it")
	stopOther()
}

// A batch that is over when it comes in, as from an older record, claims nothing.
func TestFinishedBatchClaimsNoSensor(t *testing.T) {
	j := withBatch(t, "float-1")
	ended := pitch.Add(-time.Hour)
	old := journal.Batch{ID: "wheat-11", Spec: json.RawMessage(`{}`), Sensors: []string{"float-1"}, Started: pitch.AddDate(0, 0, -7), Ended: &ended}
	created, err := j.CreateBatch(t.Context(), old)
	require.NoError(t, err)
	require.True(t, created)
	got, err := j.Batch(t.Context(), "wheat-11")
	require.NoError(t, err)
	require.Equal(t, old, got)
}

// A topic that is refused for several reasons is one topic; a message that was too
// large to be read is of none.
func TestUnassignedTopicIsListedOnce(t *testing.T) {
	j := journaltest.Open(t)
	at := func(m int) time.Time { return pitch.Add(time.Duration(m) * time.Minute) }
	require.NoError(t, j.Record(t.Context(), nil, []ingest.Refusal{
		{Topic: "cellar/new", Reason: "no-sensor", Payload: []byte("1"), Arrived: at(1)},
		{Topic: "cellar/new", Reason: "too-long", Payload: []byte("2"), Arrived: at(0)},
		{Topic: "cellar/new", Reason: "no-sensor", Payload: []byte("3"), Arrived: at(2)},
		{Reason: ingest.TooLarge, Arrived: at(3)},
	}))
	topics, err := j.UnassignedTopics(t.Context())
	require.NoError(t, err)
	require.Equal(t, []journal.TopicSeen{{Topic: "cellar/new", Payload: []byte("3"), Count: 3, First: at(0), Last: at(2), Reason: "no-sensor"}}, topics)
}

// Law: a value that is held is given at once and is not written down; writing the
// setting, alone or with what a watch says, ends that.
func TestAHeldSettingIsInMemoryAlone(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.OpenIn(t, dir)
	get := func() string {
		v, _, err := j.Get(t.Context(), "sentence")
		require.NoError(t, err)
		return v
	}
	again := func() {
		require.NoError(t, j.Close())
		j = journaltest.OpenIn(t, dir)
	}
	require.NoError(t, j.Set(t.Context(), "sentence", "wait"))
	j.Hold(journal.Setting{Key: "sentence", Value: "wait on"})
	require.Equal(t, "wait on", get())
	again()
	require.Equal(t, "wait", get())
	j.Hold(journal.Setting{Key: "sentence", Value: "crash soon"})
	require.NoError(t, j.Set(t.Context(), "sentence", "crash by noon"))
	require.Equal(t, "crash by noon", get())
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat-12", Started: pitch})
	require.NoError(t, err)
	j.Hold(journal.Setting{Key: "sentence", Value: "crash by eleven"})
	require.NoError(t, j.Say(t.Context(), "wheat-12", 0, nil, nil, nil, nil, pitch, nil, journal.Setting{Key: "sentence", Value: "crash now"}))
	require.Equal(t, "crash now", get())
	again()
	require.Equal(t, "crash now", get())
}
