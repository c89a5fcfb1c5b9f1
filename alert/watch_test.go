package alert

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

func TestMain(m *testing.M) { os.Exit(quicktest.Main(m)) }

// act is one thing done to a watch.
type act struct {
	Now    time.Time
	Obs    []projection.Observation
	Input  *Input
	Ticked bool
}

func (a act) do(w *Watch) []Event {
	switch {
	case a.Input != nil:
		return w.Enter(a.Now, *a.Input)
	case a.Ticked:
		return w.Tick(a.Now)
	}
	return w.Observe(a.Now, a.Obs...)
}

// acts draws a life of a watch: readings on time and late, silences, entries.
func acts(t *rapid.T) []act {
	now := pitch
	refs := int64(0)
	n := rapid.IntRange(1, 40).Draw(t, "acts")
	var all []act
	for range n {
		now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 20, 300, 900, 1000, 3600, 30000, 200000}).Draw(t, "pass")) * time.Second)
		a := act{Now: now}
		at := now.Add(-time.Duration(rapid.SampledFrom([]int{0, 0, 0, 1, 600, 5000, 90000, 500000, 2000000, -700}).Draw(t, "late")) * time.Second)
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			a.Ticked = true
		case 1:
			refs++
			a.Input = &Input{Ref: refs, Sample: &projection.Sample{Time: at, PH: ptr(3.8)}}
		case 2:
			refs++
			a.Input = &Input{Ref: refs, CrashStarted: &at}
		case 3:
			a.Input = &Input{Struck: int64(rapid.IntRange(1, 5).Draw(t, "struck"))}
		case 4:
			a.Input = &Input{Sensors: []string{rapid.SampledFrom([]string{"float-1", "float-2"}).Draw(t, "sensor")}}
		default:
			for range rapid.IntRange(1, 3).Draw(t, "readings") {
				a.Obs = append(a.Obs, projection.Observation{
					Time: at, Sensor: "float-1", Value: rapid.Float64Range(0, 20).Draw(t, "value"),
					Quantity: rapid.SampledFrom([]projection.Quantity{projection.Gravity, projection.Temperature}).Draw(t, "quantity"),
				})
				at = at.Add(-7 * time.Minute)
			}
		}
		all = append(all, a)
	}
	return all
}

func ptr[T any](v T) *T { return &v }

func newSummed(t require.TestingT) (*Watch, *scripts) {
	s := &scripts{script: sums}
	w, err := NewWatch(brew(), nightly(s))
	require.NoError(t, err)
	return w, s
}

// nightly are options with quiet hours.
func nightly(s *scripts) Options {
	return Options{believe: s, Quiet: &Quiet{From: 22 * 60, To: 6 * 60}}
}

func TestTicksInBetweenChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		once, _ := newSummed(t)
		often, s := newSummed(t)
		var a, b []Event
		for _, act := range acts(t) {
			a = append(a, act.do(once)...)
			for often.Now().Before(act.Now) && rapid.IntRange(0, 3).Draw(t, "stop") > 0 {
				b = append(b, often.Tick(often.Now().Add(time.Duration(rapid.IntRange(1, 40000).Draw(t, "tick"))*time.Second))...)
				if often.Now().After(act.Now) {
					return // went past the next act: another story
				}
			}
			b = append(b, act.do(often)...)
		}
		require.Equal(t, lines(t, a), lines(t, b))
		require.NoError(t, s.wrong)
	})
}

func TestRestoredWatchGoesOnAsIfNeverStopped(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		never, _ := newSummed(t)
		stopped, s := newSummed(t)
		var a, b []Event
		for _, act := range acts(t) {
			a = append(a, act.do(never)...)
			b = append(b, act.do(stopped)...)
			if rapid.Bool().Draw(t, "restart") {
				data, err := stopped.Snapshot()
				require.NoError(t, err)
				stopped, err = RestoreWatch(brew(), nightly(s), data)
				require.NoError(t, err)
			}
			require.Equal(t, never.Next(), stopped.Next())
			require.Equal(t, Sentence(brew(), never.State()), Sentence(brew(), stopped.State()))
		}
		end := never.Now().Add(50 * time.Hour)
		require.Equal(t, lines(t, append(a, never.Tick(end)...)), lines(t, append(b, stopped.Tick(end)...)))
	})
}

func TestEventTimesNeverGoBackAndEstimatesKeepTheirDistance(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		w, s := newSummed(t)
		var last, estimate, projected time.Time
		for _, act := range acts(t) {
			for _, e := range act.do(w) {
				require.False(t, e.Time.Before(last), "%v after %v", e.Time, last)
				require.False(t, e.Time.After(act.Now) && act.Now.After(pitch))
				last = e.Time
				if e.Estimate != nil {
					require.True(t, estimate.IsZero() || e.Time.Sub(estimate) >= lookEvery, "%v after %v", e.Time, estimate)
					estimate = e.Time
				}
				if e.Projection != nil {
					projected = e.Time
				}
				require.Equal(t, estimate.IsZero(), projected.IsZero() && e.Projection == nil && e.Estimate == nil)
			}
		}
		require.NoError(t, s.wrong)
	})
}

// What is believed depends on the readings, not on when or in what order they
// arrived.
func TestLateReadingsGiveTheBeliefOfReadingsInTime(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		intime, _ := newSummed(t)
		late, s := newSummed(t)
		var all, held []projection.Observation
		now := pitch
		for range rapid.IntRange(1, 60).Draw(t, "readings") {
			now = now.Add(time.Duration(rapid.SampledFrom([]int{60, 900, 7200, 180000}).Draw(t, "pass")) * time.Second)
			o := projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: rapid.Float64Range(1, 1.02).Draw(t, "value")}
			if now.Sub(pitch) > anchorAge {
				break // stay within reach of the oldest copy
			}
			all = append(all, o)
			intime.Observe(now, o)
			if rapid.Bool().Draw(t, "held") {
				held = append(held, o)
				late.Tick(now)
				continue
			}
			late.Observe(now, o)
		}
		for _, o := range rapid.Permutation(held).Draw(t, "order") {
			late.Observe(now, o)
		}
		end := now.Add(time.Hour)
		intime.Tick(end)
		late.Tick(end)
		require.Equal(t, intime.State().Estimate, late.State().Estimate, "%d readings, %d late", len(all), len(held))
		require.NoError(t, s.wrong)
	})
}

func TestNothingIsWithheldLongerThanAnHourWhileReadingsArrive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, _ := newSummed(t)
		now := pitch
		var last time.Time
		arrived := []time.Time{}
		said := func(events []Event) {
			for _, e := range events {
				if e.Estimate != nil {
					last = e.Time
				}
			}
		}
		for range 60 {
			now = now.Add(time.Duration(rapid.IntRange(1, 5000).Draw(t, "pass")) * time.Second)
			said(w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01}))
			arrived = append(arrived, now)
			for _, at := range arrived {
				require.True(t, !last.Before(at) || now.Sub(at) <= time.Hour, "a reading of %v has led to nothing by %v", at, now)
			}
			for len(arrived) > 0 && last.After(arrived[0]) {
				arrived = arrived[1:]
			}
		}
	})
}

func TestLooksGetSeldomInLongSilenceButNeverStop(t *testing.T) {
	w, _ := newSummed(t)
	w.Observe(pitch.Add(time.Hour), projection.Observation{Time: pitch.Add(time.Hour), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	steps := func(from, to time.Duration) (n int) {
		w.Tick(pitch.Add(from))
		for w.Next().Before(pitch.Add(to)) {
			w.Tick(w.Next())
			n++
		}
		return n
	}
	require.Equal(t, 40, steps(10*time.Hour, 20*time.Hour), "quarter of an hour at first")
	require.Equal(t, 24, steps(72*time.Hour, 96*time.Hour), "hourly after two days")
	require.InDelta(t, 10, steps(20*24*time.Hour, 30*24*time.Hour), 1, "daily after two weeks")
	now := pitch.Add(31 * 24 * time.Hour)
	w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	require.Less(t, w.Next().Sub(now), lookEvery+time.Second, "soon after a reading")
}

// The reading that ends a silence ends it in what the page shows at once, and its
// alert; what else is said still waits for the next look.
func TestAReadingEndsTheSilenceAtOnce(t *testing.T) {
	w, _ := newSummed(t)
	now := pitch.Add(20*time.Hour + time.Minute)
	w.Tick(now)
	require.True(t, w.State().Silent)
	said := w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	require.Len(t, said, 1)
	require.Equal(t, SensorSilent, said[0].Resolved.Kind)
	require.False(t, w.State().Silent)
	require.Equal(t, now, w.State().LastReading)
}

func TestEstimatesAreThinnedOnRequest(t *testing.T) {
	w, err := NewWatch(brew(), Options{Every: time.Hour, believe: &scripts{script: sums}})
	require.NoError(t, err)
	var at []time.Time
	for now := pitch; now.Before(pitch.Add(24 * time.Hour)); now = now.Add(15 * time.Minute) {
		for _, e := range w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01}) {
			if e.Estimate != nil {
				at = append(at, e.Time)
			}
		}
	}
	// Alerts bring one along in between, at most each quarter of an hour.
	require.LessOrEqual(t, len(at), 24+8)
	require.GreaterOrEqual(t, len(at), 22)
}

func TestABurstOfLateReadingsCostsOneRerun(t *testing.T) {
	counted := &counting{maker: &scripts{script: sums}}
	w, err := NewWatch(brew(), Options{believe: counted})
	require.NoError(t, err)
	for now := pitch; now.Before(pitch.Add(48 * time.Hour)); now = now.Add(15 * time.Minute) {
		w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	}
	var burst []projection.Observation
	for i := range 200 {
		burst = append(burst, projection.Observation{
			Time: pitch.Add(40*time.Hour + time.Duration(i)*time.Minute + time.Second), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01,
		})
	}
	*counted.advances = 0
	w.Observe(w.Now(), burst...)
	w.Observe(w.Now(), burst[:50]...)
	w.Tick(w.Now().Add(lookEvery))
	require.InDelta(t, 24*4, *counted.advances, 3, "looks run again: from the copy of hour 24 to now, once")
}

// counting counts how often beliefs are advanced.
type counting struct {
	maker
	advances *int
}

type counted struct {
	belief
	advances *int
}

func (c *counting) begin(b projection.Batch) (belief, error) {
	c.advances = new(int)
	inner, err := c.maker.begin(b)
	return counted{inner, c.advances}, err
}

func (c counted) Advance(t time.Time) { *c.advances++; c.belief.Advance(t) }
func (c counted) copied() belief      { return counted{c.belief.copied(), c.advances} }
func (c counted) aside() belief       { return counted{c.belief.aside(), c.advances} }

func TestReadingsFromBeforeThePitchAreNoNews(t *testing.T) {
	with, _ := newSummed(t)
	without, _ := newSummed(t)
	with.Observe(pitch, projection.Observation{Time: pitch.Add(-time.Minute), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.2})
	with.Enter(pitch, Input{Sample: &projection.Sample{Time: pitch.Add(-time.Hour), Gravity: ptr(gravity.SG(1.2))}})
	end := pitch.Add(time.Hour)
	with.Tick(end)
	without.Tick(end)
	require.Equal(t, without.State().Estimate, with.State().Estimate)
}

func TestRestoreRefusesWhatIsNotASnapshotOfThisBatch(t *testing.T) {
	w, s := newSummed(t)
	data, err := w.Snapshot()
	require.NoError(t, err)
	other := brew()
	other.ID = "another"
	cases := map[string]struct {
		batch projection.Batch
		data  []byte
		says  string
	}{
		"empty":   {brew(), nil, "EOF"},
		"broken":  {brew(), data[:len(data)/2], "reading the snapshot"},
		"garbage": {brew(), []byte("once upon a time"), "reading the snapshot"},
		"another": {other, data, "is of batch"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := RestoreWatch(c.batch, Options{believe: s}, c.data)
			require.ErrorContains(t, err, c.says)
		})
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	cases := map[string]Options{
		"every":    {Every: time.Minute},
		"leads":    {HeadsUp: []time.Duration{3 * time.Hour, 12 * time.Hour}},
		"lead":     {HeadsUp: []time.Duration{-time.Hour}},
		"silence":  {Silence: -1},
		"pH limit": {PHLimit: 12},
		"range":    {Range: &Range{Low: 20, High: 18}},
	}
	for name, o := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := NewWatch(brew(), o)
			require.Error(t, err)
		})
	}
	_, err := NewWatch(projection.Batch{}, Options{})
	require.Error(t, err, "a batch that makes no sense")
}

// lines are events as text, resolved ones too.
func lines(t require.TestingT, events []Event) []string {
	var all []string
	for _, e := range events {
		if e.Resolved != nil {
			all = append(all, fmt.Sprintf("%v resolved %v", e.Time, *e.Resolved))
			continue
		}
		b, err := e.Line()
		require.NoError(t, err)
		all = append(all, string(b))
	}
	return all
}

// A snapshot must keep a temperature of exactly 0 °C: gob takes a pointer to a
// zero for none.
func TestSnapshotKeepsZeroDegrees(t *testing.T) {
	w, s := newSummed(t)
	at := pitch.Add(time.Minute)
	w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Temperature, Value: 0})
	w.Enter(at, Input{Sample: &projection.Sample{Time: at, Temperature: ptr(gravity.Celsius(0)), Gravity: ptr(gravity.SG(1.01))}})
	w.Tick(pitch.Add(time.Hour))
	data, err := w.Snapshot()
	require.NoError(t, err)
	r, err := RestoreWatch(brew(), nightly(s), data)
	require.NoError(t, err)
	require.Equal(t, w.course.trail, r.course.trail)
	require.Equal(t, w.ledger.items, r.ledger.items)
	require.Equal(t, w.state, r.state)
}

func TestSensorsOfAnotherBatchAreNotHeard(t *testing.T) {
	w, _ := newSummed(t)
	at := pitch.Add(time.Hour)
	w.Observe(at, projection.Observation{Time: at, Sensor: "float-9", Quantity: projection.Gravity, Value: 1.01})
	require.Empty(t, w.ledger.items)
	require.Equal(t, []string{"float-1"}, w.heard.names())
	w.Enter(at, Input{Sensors: []string{"float-9"}})
	w.Observe(at, projection.Observation{Time: at, Sensor: "float-9", Quantity: projection.Gravity, Value: 1.01})
	require.Len(t, w.ledger.items, 1)
	require.Equal(t, []string{"float-9"}, w.heard.names())
}

func TestTheLedgerIsBounded(t *testing.T) {
	w, _ := newSummed(t)
	for i := range 3 * maxLedger {
		at := pitch.Add(time.Duration(i) * 5 * time.Second)
		w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: float64(i)})
	}
	require.LessOrEqual(t, len(w.ledger.items), maxLedger+200)
}

// A thermometer that shows what no beer can have, 85 °C of one that was never
// asked, tells nothing of the beer: neither too warm nor not cooling.
func TestWhatNoBeerCanHaveIsNotItsTemperature(t *testing.T) {
	var tr trail
	b := brew()
	for i, celsius := range []float64{18.5, 85, -5, 85} {
		tr.observe(projection.Observation{Time: pitch.Add(time.Duration(i) * time.Hour), Sensor: "probe", Quantity: projection.Temperature, Value: celsius}, &b)
	}
	require.InDelta(t, 18.5, float64(*tr.Temp), 0)
	require.Equal(t, pitch, tr.TempAt)
}
