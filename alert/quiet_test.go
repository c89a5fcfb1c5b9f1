package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

func TestClocksAreSaidAsPeopleWriteThem(t *testing.T) {
	require.Equal(t, "22:30", Clock(22*60+30).String())
	require.Equal(t, "06:05", Clock(6*60+5).String())
}

func TestQuietHoursThatAreNone(t *testing.T) {
	for name, q := range map[string]Quiet{"nothing": {300, 300}, "negative": {-1, 300}, "beyond the day": {300, 1440}} {
		_, err := NewWatch(brew(), Options{Quiet: &q})
		require.ErrorContains(t, err, "quiet hours", name)
	}
}

// In any zone and season: a moment lies in the night found around it exactly if
// the clock on the wall says so, and nights are as long as the wall says, give
// or take the hour that clocks are moved by.
func TestNightsFollowTheClockOnTheWall(t *testing.T) {
	var zones []*time.Location
	for _, name := range []string{"UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Kiritimati"} {
		loc, err := time.LoadLocation(name)
		require.NoError(t, err)
		zones = append(zones, loc)
	}
	rapid.Check(t, func(t *rapid.T) {
		loc := rapid.SampledFrom(zones).Draw(t, "zone")
		q := Quiet{From: Clock(rapid.IntRange(0, 1439).Draw(t, "from"))}
		length := rapid.IntRange(120, 1300).Draw(t, "length")
		q.To = (q.From + Clock(length)) % 1440
		at := pitch.Add(time.Duration(rapid.IntRange(0, 366*24*60).Draw(t, "at")) * time.Minute)
		n := q.around(at, loc)
		require.True(t, at.Before(n.to))
		require.InDelta(t, float64(length), n.to.Sub(n.from).Minutes(), 61)
		require.Less(t, n.from.Sub(at), 26*time.Hour, "the next one, not a later")
		if d := at.Sub(n.from).Abs(); d < 2*time.Hour || n.to.Sub(at) < 2*time.Hour {
			return // near an edge the wall may show a time twice, or never
		}
		wall := at.In(loc)
		since := (wall.Hour()*60 + wall.Minute() - int(q.From) + 1440) % 1440
		require.Equal(t, since < length, n.has(at), "%v in %v to %v", wall, q.From, q.To)
	})
}

// In quiet hours the clock brings nothing but what is urgent or may not wait;
// what it holds back comes at their end, once, if it still holds.
func TestTheNightIsQuiet(t *testing.T) {
	q := Quiet{From: 22 * 60, To: 6 * 60}
	rapid.Check(t, func(t *rapid.T) {
		b := newBook()
		now := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
		severity := rapid.SampledFrom([]Severity{Info, Warning, Urgent}).Draw(t, "severity")
		atNight := rapid.Bool().Draw(t, "at night")
		begins, lasts := rapid.IntRange(0, 60).Draw(t, "begins"), rapid.IntRange(1, 90).Draw(t, "lasts")
		told := 0
		for i := range 96 {
			at := now.Add(time.Duration(i) * 15 * time.Minute)
			holds := i >= begins && i < begins+lasts
			f := finding{kind: Temperature, severity: severity, atNight: atNight, holds: holds, say: func() (string, string) { return "t", "m" }}
			quiet := q.around(at, time.UTC).has(at)
			for _, e := range b.apply(at, []finding{f}, quiet) {
				require.NotNil(t, e.Alert)
				require.False(t, quiet && severity != Urgent && !atNight, "told at %v", at)
				told++
			}
		}
		require.LessOrEqual(t, told, 1)
		end := now.Add(time.Duration(begins+lasts-1) * 15 * time.Minute)
		if day := !q.around(end, time.UTC).has(end); day || severity == Urgent || atNight {
			require.Equal(t, 1, told)
		}
	})
}

// Who enters something is awake: what it leads to is told at once.
func TestAnEntryAtNightIsAnswered(t *testing.T) {
	s := tell(t, brew(), Options{Quiet: &Quiet{From: 22 * 60, To: 6 * 60}}, &scripts{script: plain})
	s.until(53)
	now := s.w.Now()
	require.True(t, s.w.opts.Quiet.around(now, time.UTC).has(now))
	s.enter("packaged", Input{Packaged: &now})
	require.Equal(t, 1, s.raised(StillFermenting))
	require.Equal(t, 1, s.raised(PH))
}

// The evening plan is told once an evening, before the quiet hours, only if the
// first ring would fall into them, and offers no temperature outside the range.
func TestTheEveningPlan(t *testing.T) {
	cases := map[string]struct {
		by, sd float64
		low    gravity.Celsius
		want   int
		says   string
	}{
		"at three":              {57, 2, 14, 1, "Or hold it at"},
		"as bedtime begins":     {53.1, 1, 13, 1, "Or hold it at"},
		"known exactly":         {57, 0, 14, 1, "Or hold it at"},
		"before bedtime":        {51.5, 2, 14, 0, ""},
		"after breakfast":       {62, 2, 14, 0, ""},
		"vague":                 {57, 30, 14, 1, "may be due from 03:00 tomorrow, Thu, in your quiet hours (± 30 h)."},
		"too warm a low":        {53.5, 2, 17, 1, "down to 17.0 °C, does not move the crash to the morning"},
		"the next night, later": {57 + 24, 2, 14, 1, "Or hold it at"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			script := func(_ time.Time, _ *scripted) (projection.Estimate, projection.Projection) {
				return belief0(2, 0.5, c.by, c.sd, c.by+10, 0.97)
			}
			o := Options{Quiet: &Quiet{From: 22*60 + 30, To: 6*60 + 30}, Range: &Range{Low: c.low, High: 22}, HeadsUp: []time.Duration{time.Minute}}
			s := tell(t, brew(), o, &scripts{script: script})
			s.temp = func(float64) float64 { return 18 }
			s.until(min(c.by-1.5, 90))
			require.Equal(t, c.want, s.raised(CrashSoon), s.out.String())
			require.Contains(t, s.out.String(), c.says)
			if c.want > 0 {
				e := s.w.book.of(CrashSoon, atBed)
				require.Equal(t, 1, e.Times)
			}
		})
	}
}

// Nothing is asked of the belief in vain: without a thermometer, or with beer
// that is cool already, no temperature is offered.
func TestNoTemperatureIsOfferedWithoutReason(t *testing.T) {
	o, err := Options{Quiet: &Quiet{From: 1350, To: 390}}.filled()
	require.NoError(t, err)
	v := &view{now: hour(51), batch: ptr(brew()), opts: &o}
	require.Contains(t, v.held(night{}), "without a thermometer")
	v.estimate.Temperature = ptr(gravity.Celsius(9.5))
	require.Contains(t, v.held(night{}), "too cool already")
}

// A lead that was told before is told again only if its time is another: off by
// more than the spread told with it, or known twice as well.
func TestWhatIsNewsOfACrash(t *testing.T) {
	told := entry{By: hour(50), SD: 6 * time.Hour}
	cases := map[string]struct {
		by, sd float64
		want   bool
	}{
		"the same":               {50, 6, false},
		"moved within its doubt": {55.5, 6, false},
		"moved beyond":           {57, 6, true},
		"sooner":                 {43, 6, true},
		"known much better":      {51, 2.5, true},
		"known a little better":  {51, 4, false},
	}
	for name, c := range cases {
		v := &view{projection: projection.Projection{CrashBy: ptr(hour(c.by)), CrashBySD: time.Duration(c.sd * float64(time.Hour))}}
		require.Equal(t, c.want, v.isNews(told), name)
	}
	sure := entry{By: hour(50), SD: time.Minute}
	v := &view{projection: projection.Projection{CrashBy: ptr(hour(50.8)), CrashBySD: time.Minute}}
	require.False(t, v.isNews(sure), "less than an hour is never news")
}
