package deliver

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/ingest/journal"
)

func TestDecideWhatToDoWithADelivery(t *testing.T) {
	at, later := base.Add(time.Minute), base.Add(time.Hour)
	cases := map[string]struct {
		change func(*journal.Alert)
		now    time.Time
		want   verdict
	}{
		"open":         {func(*journal.Alert) {}, at, verdict{}},
		"acknowledged": {func(a *journal.Alert) { a.Acknowledged = &at }, at, verdict{drop: "acknowledged"}},
		"resolved":     {func(a *journal.Alert) { a.Resolved = &at }, at, verdict{drop: "resolved"}},
		"snoozed":      {func(a *journal.Alert) { a.SnoozedUntil = &later }, at, verdict{hold: later}},
		"snooze over":  {func(a *journal.Alert) { a.SnoozedUntil = &at }, at, verdict{}},
		"a day old":    {func(*journal.Alert) {}, base.Add(24 * time.Hour), verdict{}},
		"of the past":  {func(a *journal.Alert) { a.Raised = base.AddDate(-1, 0, 0) }, at, verdict{}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			a := ring("crash-now", "urgent", base)
			c.change(&a)
			require.Equal(t, c.want, decide(situation{alert: a, now: c.now, repeat: Repeat{}.filled()}))
		})
	}
}

func TestWhatIsToldAgain(t *testing.T) {
	cases := map[string]struct {
		kind, severity string
		n              int
		want           time.Duration
	}{
		"crash-now, first":  {"crash-now", "urgent", 1, 5 * time.Minute},
		"crash-now, second": {"crash-now", "urgent", 2, 15 * time.Minute},
		"crash-now, ninth":  {"crash-now", "urgent", 9, 15 * time.Minute},
		"over-ceiling":      {"over-ceiling", "urgent", 1, time.Hour},
		"crash-soon":        {"crash-soon", "warning", 1, 0},
		"stays-below":       {"stays-below", "info", 1, 0},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			d, again := Repeat{}.filled().after(ring(c.kind, c.severity, base), c.n)
			require.Equal(t, c.want > 0, again)
			require.Equal(t, c.want, d)
		})
	}
}

func TestPlanIsOneTellingAChannel(t *testing.T) {
	a := ring("crash-now", "urgent", base)
	require.Equal(t, []journal.Delivery{
		{Alert: a.ID, Channel: "phone", N: 1, Due: base}, {Alert: a.ID, Channel: "hook", N: 1, Due: base},
	}, Plan(a, []string{"phone", "hook"}, base))
	require.Empty(t, Plan(a, nil, base))
}

func TestWaitsGrowAreBoundedAndObeyTheOtherSide(t *testing.T) {
	require.Equal(t, time.Second, wait(&Error{}, urgent, 1, 0.5))
	require.Equal(t, 8*time.Second, wait(&Error{}, urgent, 4, 0.5))
	require.Equal(t, quickMost, wait(&Error{}, urgent, 1000, 0.5))
	require.Equal(t, quickMost, wait(&Error{Fault: Curable}, urgent, patience, 0.5), "it may be mended at the other end")
	require.Equal(t, slow, wait(&Error{Fault: Curable}, urgent, patience+1, 0.5))
	require.Equal(t, 7*time.Minute, wait(&Error{RetryAfter: 7 * time.Minute}, "warning", 1, 0.5))
	require.Equal(t, time.Hour, wait(&Error{RetryAfter: 100 * time.Hour}, "warning", 1, 0.5))
	require.Equal(t, 5*time.Minute, wait(&Error{RetryAfter: 100 * time.Hour}, urgent, 1, 0.5))
	require.Equal(t, time.Minute, wait(&Error{RetryAfter: time.Minute}, urgent, 1, 0.5))
	rapid.Check(t, func(t *rapid.T) {
		d := wait(&Error{}, urgent, rapid.IntRange(0, 1<<40).Draw(t, "failed"), rapid.Float64Range(0, 0.999).Draw(t, "jitter"))
		require.GreaterOrEqual(t, d, 750*time.Millisecond)
		require.Less(t, d+mailTimeout, time.Minute, "a channel is used within a minute of its return, though an attempt hangs")
	})
}

// RFC 9110 §10.2.3: a number of seconds, or a date.
func TestRetryAfterIsReadAsTheStandardSays(t *testing.T) {
	now := time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"120": 2 * time.Minute, "Fri, 31 Dec 1999 23:59:59 GMT": 59 * time.Second,
		"Fri, 31 Dec 1999 23:00:00 GMT": 0, "": 0, "soon": 0, "-5": 0, "99999999999": 7 * 24 * time.Hour,
	} {
		require.Equal(t, want, retryAfter(value, now), value)
	}
}

func TestAckURL(t *testing.T) {
	require.Equal(t, "https://cellar.example/a/abc", AckURL("https://cellar.example", "abc"))
	require.Equal(t, "https://cellar.example/beer/a/abc", AckURL("https://cellar.example/beer/", "abc"))
	require.Empty(t, AckURL("", "abc"))
	require.Empty(t, AckURL("https://cellar.example", ""))
}
