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
		l.steady(start.Add(time.Duration(look)*lookEvery), pitch, samples, &p)
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

// An opinion that reaches back to the pitch knows only that the moment has passed: it
// passed when it was told to, or it is found at that look that it has. Either stays
// so, and two looks are needed as ever.
func TestTheCrashByIsNeverThePitch(t *testing.T) {
	start := pitch.Add(30 * time.Hour)
	var l lately
	said := func(look, samples int, by time.Time) time.Time {
		p := projection.Projection{CrashBy: &by}
		l.steady(start.Add(time.Duration(look)*lookEvery), pitch, samples, &p)
		return *p.CrashBy
	}
	require.Equal(t, start, said(0, 0, pitch), "found at the first look")
	require.Equal(t, start, said(1, 0, pitch))
	require.Equal(t, start, said(10, 1, pitch), "a sample that says the same does not move it")
	soon := start.Add(3 * time.Hour)
	for look := 20; look < 30; look++ {
		require.Equal(t, soon, said(look, 2, soon))
	}
	for look := 60; look < 70; look++ {
		require.Equal(t, soon, said(look, 2, pitch), "it passed then")
	}
	far := start.Add(100 * time.Hour)
	for look := 80; look < 89; look++ {
		said(look, 2, far)
	}
	require.Equal(t, far, said(89, 2, pitch), "one look decides nothing")
	at := start.Add(90 * lookEvery)
	require.Equal(t, at, said(90, 2, pitch), "what was told lies ahead: it is found now")
}
