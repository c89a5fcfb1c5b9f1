package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// Law: what is told again is true when it is told, in title, words and figures:
// the evening's plan is not told in the night, nor an order with a deadline that
// has passed. The crash falls due at ten past three.
func TestWhatIsToldAgainIsOfNow(t *testing.T) {
	script := func(at time.Time, _ *scripted) (projection.Estimate, projection.Projection) {
		return belief0(max(0, at.Sub(pitch).Hours()-20)*0.09, 0.5, 57.17, 1, 70, 0.97)
	}
	s := tell(t, brew(), Options{Quiet: &Quiet{From: 22*60 + 30, To: 6*60 + 30}}, &scripts{script: script})
	told := func(kind Kind) (*Retold, bool) { return s.w.Retell(kind, s.w.book.Counts[kind]) }

	s.until(51)
	r, past := told(CrashSoon)
	require.False(t, past)
	require.Equal(t, "The crash may fall in the night: pale wheat 12", r.Title)
	s.until(54.6)
	_, past = told(CrashSoon)
	require.True(t, past, "the night has begun")

	s.until(56.75)
	first := s.told[len(s.told)-1].Alert
	require.Contains(t, first.Message, "starting by 03:10 today. In 19 of 20 cases")
	s.w.Tick(hour(57.16))
	r, _ = told(CrashNow)
	require.Equal(t, first.Title, r.Title)
	require.Contains(t, r.Message, "starting within minutes")
	s.w.Tick(hour(57.2)) // no look has been since
	r, _ = told(CrashNow)
	require.NotContains(t, r.Message, "starting")
	require.Contains(t, r.Message, "If it starts within 30 min")
	require.Greater(t, r.Estimate.ABV, s.w.State().Estimate.ABV, "its figures are of the same moment")
	require.Equal(t, s.w.Now(), r.Estimate.Time)

	r, past = s.w.Retell(CrashNow, first.N+1)
	require.Nil(t, r)
	require.False(t, past)
}
