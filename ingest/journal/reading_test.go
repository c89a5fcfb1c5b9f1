package journal_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// A device without a clock: a repeated message is told by its value.
func TestRepeatedMessageOfAClocklessDevice(t *testing.T) {
	first := ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: pitch, Arrived: pitch, Value: 1.0132}
	with := func(change func(*ingest.Reading)) ingest.Reading {
		r := first
		change(&r)
		r.Time = r.Arrived
		return r
	}
	later := func(d time.Duration, dup bool) func(*ingest.Reading) {
		return func(r *ingest.Reading) { r.Arrived, r.Redelivered = pitch.Add(d), dup }
	}
	for _, c := range []struct {
		name string
		next ingest.Reading
		rows int64
	}{
		{"same message recorded again", first, 1},
		{"repeated within the hour", with(later(59*time.Minute, true)), 1},
		{"repeated after just an hour", with(later(time.Hour, true)), 1},
		{"repeated after more than an hour", with(later(time.Hour+time.Microsecond, true)), 2},
		{"same value, but a message of its own", with(later(time.Minute, false)), 2},
		{"repeated with another value", with(func(r *ingest.Reading) { later(time.Minute, true)(r); r.Value = 1.0131 }), 2},
		{"repeated from another sensor", with(func(r *ingest.Reading) { later(time.Minute, true)(r); r.Sensor = "float-2" }), 2},
		{"another quantity", with(func(r *ingest.Reading) { later(time.Minute, true)(r); r.Quantity = ingest.Tilt }), 2},
		{"another value in the same microsecond", with(func(r *ingest.Reading) { r.Value = 1.0131 }), 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, together := range []bool{true, false} {
				j := journaltest.Open(t)
				if together {
					require.NoError(t, j.Record(t.Context(), []ingest.Reading{first, c.next}, nil))
				} else {
					require.NoError(t, j.Record(t.Context(), []ingest.Reading{first}, nil))
					require.NoError(t, j.Record(t.Context(), []ingest.Reading{c.next}, nil))
				}
				require.Equal(t, c.rows, j.Stats().Readings, "in one call: %v", together)
			}
		})
	}
}

func TestFirstOfTwoValuesForOneDeviceTimeIsKept(t *testing.T) {
	j := journaltest.Open(t)
	a, b := reading("float-1", ingest.Gravity, 0, 1.0132), reading("float-1", ingest.Gravity, 0, 1.0099)
	require.NoError(t, j.Record(t.Context(), []ingest.Reading{a, b}, nil))
	stored, err := j.Readings(t.Context(), "float-1", ingest.Gravity, time.Time{}, time.Time{}, 0)
	require.NoError(t, err)
	require.Len(t, stored, 1)
	require.Equal(t, a, stored[0].Reading)
}

func TestUnstorableReadingsAreRefusedBeforeAnythingIsStored(t *testing.T) {
	j := journaltest.Open(t)
	good := reading("float-1", ingest.Gravity, 0, 1.0132)
	for name, spoil := range map[string]func(*ingest.Reading){
		"not a number": func(r *ingest.Reading) { r.Value = math.NaN() },
		"infinite":     func(r *ingest.Reading) { r.Value = math.Inf(-1) },
		"no sensor":    func(r *ingest.Reading) { r.Sensor = "" },
		"no quantity":  func(r *ingest.Reading) { r.Quantity = "" },
		"no time":      func(r *ingest.Reading) { r.Time = time.Time{} },
		"no arrival":   func(r *ingest.Reading) { r.Arrived = time.Time{} },
	} {
		bad := good
		spoil(&bad)
		require.ErrorIs(t, j.Record(t.Context(), []ingest.Reading{good, bad}, nil), journal.ErrInvalid, name)
		require.ErrorIs(t, j.Enqueue(t.Context(), []ingest.Reading{bad}, nil)(t.Context()), journal.ErrInvalid, name)
	}
	require.Zero(t, j.Stats().Readings)
	require.NoError(t, j.Record(t.Context(), nil, nil), "nothing to store is no error")
}

func TestSeqRisesInTheOrderOfEnqueueing(t *testing.T) {
	j := journaltest.Open(t)
	const n = 3000 // more than the queue and several groups
	waits := make(chan func(context.Context) error, n)
	failed := make(chan error, 1)
	go func() {
		defer close(failed)
		for wait := range waits {
			if err := wait(t.Context()); err != nil {
				failed <- err
				return
			}
		}
	}()
	for i := range n {
		waits <- j.Enqueue(t.Context(), []ingest.Reading{reading("float-1", ingest.Gravity, -time.Duration(i)*time.Second, float64(i))}, nil)
	}
	close(waits)
	require.NoError(t, <-failed)
	stored, err := j.ReadingsAfter(t.Context(), 0, 0)
	require.NoError(t, err)
	require.Len(t, stored, n)
	for i, s := range stored {
		require.Equal(t, i, int(s.Value))
	}
	require.Less(t, j.Stats().Groups, int64(n), "some groups held more than one")
}

func TestReadingsWithinBounds(t *testing.T) {
	j := journaltest.Open(t)
	var in []ingest.Reading
	for i := range 10 {
		in = append(in, reading("float-1", ingest.Temperature, time.Duration(i)*time.Minute, float64(i)))
	}
	require.NoError(t, j.Record(t.Context(), in, nil))
	values := func(from, to time.Time, limit int) (v []float64) {
		stored, err := j.Readings(t.Context(), "float-1", ingest.Temperature, from, to, limit)
		require.NoError(t, err)
		for _, s := range stored {
			v = append(v, s.Value)
		}
		return v
	}
	require.Equal(t, []float64{2, 3, 4}, values(pitch.Add(2*time.Minute), pitch.Add(5*time.Minute), 0))
	require.Equal(t, []float64{8, 9}, values(pitch.Add(8*time.Minute), time.Time{}, 0))
	require.Equal(t, []float64{0, 1, 2}, values(time.Time{}, time.Time{}, 3))
	_, found, err := j.LastReading(t.Context(), "float-1", ingest.Gravity)
	require.NoError(t, err)
	require.False(t, found)
	seen, err := j.Seen(t.Context())
	require.NoError(t, err)
	require.Len(t, seen, 1)
	require.Equal(t, in[9], seen[0].Last.Reading)
}

func TestSeriesRefusesWhatItCannotBin(t *testing.T) {
	j := journaltest.Open(t)
	for _, c := range []struct {
		to      time.Time
		buckets int
	}{{pitch, 10}, {pitch.Add(-1), 10}, {pitch.Add(time.Hour), 0}, {pitch.Add(time.Hour), journal.MaxBuckets + 1}} {
		_, err := j.Series(t.Context(), "float-1", ingest.Gravity, pitch, c.to, c.buckets)
		require.ErrorIs(t, err, journal.ErrInvalid)
	}
	bins, err := j.Series(t.Context(), "never seen", ingest.Gravity, pitch, pitch.Add(time.Hour), 10)
	require.NoError(t, err)
	require.Empty(t, bins)
}

func TestRefusalsStayBounded(t *testing.T) {
	j := journaltest.Open(t)
	var flood []ingest.Refusal
	for i := range 700 {
		flood = append(flood,
			ingest.Refusal{Topic: "junk/" + strings.Repeat("x", i), Reason: "no-sensor", Payload: make([]byte, 5000), Arrived: pitch.Add(time.Duration(i) * time.Second)},
			ingest.Refusal{Topic: "cellar/" + strings.Repeat("y", i), Sensor: "float-1", Reason: "not-json", Detail: "broken", Arrived: pitch.Add(time.Duration(i) * time.Second)})
	}
	require.NoError(t, j.Record(t.Context(), nil, flood))
	last := ingest.Refusal{Topic: "cellar/a", Sensor: "float-1", Reason: "not-json", Detail: "no end", Payload: []byte(`{"g":`), Arrived: pitch.Add(time.Hour), Kept: true}
	for range 3 {
		require.NoError(t, j.Record(t.Context(), nil, []ingest.Refusal{last}))
	}
	all, err := j.Refusals(t.Context())
	require.NoError(t, err)
	require.Len(t, all, 1000)
	require.Equal(t, journal.RefusalSeen{Refusal: last, Count: 3, First: pitch.Add(time.Hour)}, all[0])
	topics, err := j.UnassignedTopics(t.Context())
	require.NoError(t, err)
	require.Len(t, topics, 500)
	require.Equal(t, "junk/"+strings.Repeat("x", 699), topics[0].Topic)
	require.Len(t, topics[0].Payload, 1024)
	counts, err := j.RefusalCounts(t.Context())
	require.NoError(t, err)
	require.Equal(t, map[ingest.Reason]int64{"no-sensor": 700, "not-json": 703}, counts, "counts forget nothing")
}
