package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// What was held before a float was first heard rests on the usual course alone: a
// batch that begins hours after its pitch would ring for it.
func TestTheFirstGravityIsNews(t *testing.T) {
	var tr trail
	blind := tr.news()
	tr.observe(projection.Observation{Quantity: projection.Temperature, Value: 19, Time: pitch}, nil)
	require.Equal(t, blind, tr.news())
	tr.observe(projection.Observation{Quantity: projection.Gravity, Value: 1.012, Time: pitch}, nil)
	first := tr.news()
	require.NotEqual(t, blind, first)
	tr.observe(projection.Observation{Quantity: projection.Gravity, Value: 1.012, Time: pitch.Add(time.Hour)}, nil)
	require.Equal(t, first, tr.news(), "the second is not")
	tr.Samples++
	require.NotEqual(t, first, tr.news())
	tr.Crash = &pitch
	require.Negative(t, tr.news())
}

// One look that dips decides nothing; two of them do; a hand sample counts at once.
func TestOneLookThatDipsDecidesNothing(t *testing.T) {
	start := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	far, near := start.Add(30*time.Hour), start.Add(time.Hour)
	var l lately
	said := func(look, samples int, by *time.Time) *time.Time {
		p := projection.Projection{CrashBy: by}
		l.steady(start.Add(time.Duration(look)*lookEvery), samples, &p)
		return p.CrashBy
	}
	for k := range 9 {
		require.Equal(t, &far, said(k, 0, &far))
	}
	require.Equal(t, &far, said(9, 0, &near), "one look")
	require.Equal(t, &near, said(10, 0, &near), "two looks")
	require.Equal(t, &near, said(11, 0, nil), "one look that sees no need takes nothing back")
	require.Nil(t, said(12, 1, nil), "a hand sample is news")
}
