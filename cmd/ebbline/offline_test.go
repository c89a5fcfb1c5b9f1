package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestADayOfflineThenFiveThousandReadings leaves the daemon stopped for the day, all
// but an hour of this batch, in which the crash falls due; the broker keeps the readings. All are in within
// half a minute, the belief follows the devices' clock, the phone is told what
// holds now, once, and nothing of what would have been said in between.
func TestADayOfflineThenFiveThousandReadings(t *testing.T) {
	t.Parallel()
	const n = 5000
	d := dueBatch(t, time.Hour)
	s := newSink(t)
	h := newResidence(t)
	h.quick = true
	h.extra = countingSensor + fmt.Sprintf("notify: [{webhook: %q}]\n", s.URL+"/hook")
	addr := h.broker(t, "mosquitto")
	old := d.lines[:5] // the first hour
	late := d.lines[len(old):]
	var others []string // of a device that is in no batch
	for i := range n - len(late) {
		others = append(others, fmt.Sprintf(`{"g":1.0100,"ts":%d}`, time.Now().Add(-20*time.Hour).Add(time.Duration(i)*10*time.Second).UnixMilli()))
	}
	p := h.serve(t, d.batch)
	requireReadyWithin10s(t, p)
	publish(t, addr, "cellar/float-1", old)
	require.Eventually(t, func() bool { return metric(p, "ebbline_journal_readings") == fmt.Sprint(2*len(old)) }, longEnough, 50*time.Millisecond)
	p.term()
	before := len(s.all())
	half := len(others) / 2
	publish(t, addr, "cellar/counter", others[:half])
	publish(t, addr, "cellar/float-1", late)
	publish(t, addr, "cellar/counter", others[half:])

	begun := time.Now()
	p = h.serve(t)
	all := fmt.Sprint(2*len(d.lines) + len(others))
	require.Eventually(t, func() bool { return metric(p, "ebbline_journal_readings") == all }, longEnough, 20*time.Millisecond, "%s of %s values", metric(p, "ebbline_journal_readings"), all)
	t.Logf("%d readings in after %v", n, time.Since(begun).Round(10*time.Millisecond))
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond, "the phone must ring: %.1500s", p.get("/api/v1/batches/"+d.id))
	t.Logf("rang after %v", time.Since(begun).Round(10*time.Millisecond))
	waitForQuietPhone(t, s)
	require.Len(t, s.of("crash-now"), 1, "one decision")
	told := s.all()[before:]
	var kinds []string
	for _, c := range told {
		kinds = append(kinds, fmt.Sprint(c.Body["kind"]))
	}
	t.Logf("told: %s", strings.Join(kinds, ", "))
	require.LessOrEqual(t, len(told), 3, "no storm of what was to be said in between: %v", kinds)
	require.NotContains(t, kinds, "crash-soon", "that was yesterday's")
	p.term()
	events, err := openJournal(t, h.data).Events(t.Context(), d.id, []string{"estimate"}, time.Time{}, time.Now().AddDate(1, 0, 0), 100000, false)
	require.NoError(t, err)
	for i := 1; i < len(events); i++ {
		require.False(t, events[i].Time.Before(events[i-1].Time), "the belief goes by the devices' clock")
	}
	require.Greater(t, len(events), 18*4, "an estimate a quarter of an hour, all the way")
}

// waitForQuietPhone waits until it was not called for three seconds.
func waitForQuietPhone(t *testing.T, s *sink) {
	t.Helper()
	n, since := len(s.all()), time.Now()
	require.Eventually(t, func() bool {
		if now := len(s.all()); now != n {
			n, since = now, time.Now()
		}
		return time.Since(since) > 3*time.Second
	}, longEnough, 50*time.Millisecond)
}
