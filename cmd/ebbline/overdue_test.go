package main

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/deploy/quicktest"
	"ebbline/ingest"
)

// A batch is begun two days after its pitch. Its float has been silent for a day,
// which was so at a time that nobody is rung for any more; but it is silent still,
// so the phone hears of it, once, and in quiet hours in the morning.
func TestWhatHoldsStillOfABatchBegunLateIsTold(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	for name, night := range map[string]bool{"by day": false, "at night": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWatchroom(t, filepath.Join(captures, "plain-02", "batch.yaml"), mostAwake)
			w.channels = []string{"phone"}
			pitched := w.file.Batch.PitchedAt
			now := pitched.Add(36 * time.Hour)
			want := now
			if night {
				at := alert.Clock(now.Hour()*60 + now.Minute())
				w.sleep(&alert.Quiet{From: at - 60, To: at + 120})
				w.options.Location = time.UTC
				want = now.Add(2 * time.Hour)
			}
			for _, l := range captureLines(t, filepath.Join(captures, "plain-02"))[:40] {
				readings, _ := w.mapper.Decode(ingest.Message{Topic: l.Topic, Payload: l.Payload, Arrived: l.Time})
				require.NoError(t, w.journal.Record(t.Context(), readings, nil))
			}
			for _, after := range []time.Duration{0, firstIdle + time.Minute, 15 * time.Minute} {
				w.at(now.Add(after))
			}
			a, err := w.journal.Alert(t.Context(), alertID(w.file.Batch.ID, alert.SensorSilent, 1))
			require.NoError(t, err)
			require.Less(t, a.Raised, now.Add(-time.Hour))
			silent, err := w.journal.Deliveries(t.Context(), a.ID)
			require.NoError(t, err)
			require.Len(t, silent, 1)
			require.Equal(t, "phone", silent[0].Channel)
			require.WithinDuration(t, want, silent[0].Due, 5*time.Minute)
		})
	}
}

// A batch is begun two days after its pitch, and nothing was heard before. Its float,
// which speaks every quarter of an hour, is not called silent before it has had its
// time, and never if it speaks in it: that ends what the page says of it at once.
func TestAFloatThatIsAboutToSpeakIsNotCalledSilent(t *testing.T) {
	t.Parallel()
	w := newWatchroom(t, filepath.Join(captures, "plain-02", "batch.yaml"), mostAwake)
	w.channels = []string{"phone"}
	now := w.file.Batch.PitchedAt.Add(50 * time.Hour)
	for _, after := range []time.Duration{0, firstIdle + time.Minute, 10 * time.Minute} {
		w.at(now.Add(after))
	}
	id := alertID(w.file.Batch.ID, alert.SensorSilent, 1)
	silent, err := w.journal.Deliveries(t.Context(), id)
	require.NoError(t, err)
	for _, d := range silent {
		require.GreaterOrEqual(t, d.Due.Sub(now), 2*time.Hour)
	}
	require.NotEmpty(t, silent, "it is told if it goes on")

	spoke := now.Add(14 * time.Minute)
	l := captureLines(t, filepath.Join(captures, "plain-02"))[0]
	readings, _ := w.mapper.Decode(ingest.Message{Topic: l.Topic, Payload: l.Payload, Arrived: spoke})
	for i := range readings {
		readings[i].Time, readings[i].Arrived = spoke, spoke
	}
	require.NoError(t, w.journal.Record(t.Context(), readings, nil))
	w.arrived(readings)
	w.at(spoke.Add(5 * time.Second))
	a, err := w.journal.Alert(t.Context(), id)
	require.NoError(t, err)
	require.NotNil(t, a.Resolved)
	require.WithinDuration(t, spoke, *a.Resolved, time.Minute)
}
