package alert

import (
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// course is the belief of a batch run up to a moment, and what the judges must
// remember of the way. It depends on the inputs by their own times only, not on
// when they arrived.
type course struct {
	at     time.Time
	belief belief
	trail  trail
	// projection is that of the last look; nil before the first and after a restart.
	projection *projection.Projection
}

// outlook is the projection of the last look, with its crash by made steady.
func (c *course) outlook() projection.Projection {
	if c.projection == nil {
		p := c.belief.Project()
		if len(c.trail.Lately.Opinions) > 0 {
			p.CrashBy = c.trail.Lately.early()
		}
		return p
	}
	return *c.projection
}

// trail is what the judges remember.
type trail struct {
	LastInput   time.Time // of any input
	Crash       *time.Time
	CrashTemp   *gravity.Celsius // believed when the crash started
	Temp        *gravity.Celsius // last measured
	TempAt      time.Time
	IfWarm      *projection.Quantiles // believed then, had it been left alone
	Coldest     *gravity.Celsius      // measured since the crash
	ColdAt      *time.Time            // first measured near the crash's goal
	ColdGravity *gravity.SG           // believed coldSettle after ColdAt
	Cooled      []warmed              // measured since the crash, in the last hours
	LastSample  time.Time             // with a gravity; the one at pitch counts
	PH          *float64              // last known
	PHAt        time.Time
	Samples     int
	Lately      lately
	LastGravity time.Time // of a gravity reading
}

const (
	// lookPhase lets a reading on the full quarter of an hour be part of the
	// look at that quarter.
	lookPhase = time.Minute
	// After this silence a batch is looked at hourly, and daily: what it costs
	// to keep a forgotten batch is bounded, and the clock still decides.
	hourlyAfter = 48 * time.Hour
	dailyAfter  = 14 * 24 * time.Hour
	// coldSettle is how long after getting cold the over-run may still show.
	coldSettle = 6 * time.Hour
	// ColdMargin is how near the crash's goal counts as cold, °C.
	ColdMargin = 3
)

// copied is a course of its own.
func (c course) copied() course {
	c.belief = c.belief.copied()
	return c
}

// aside is a course to be kept for later, see belief.
func (c course) aside() course {
	c.belief = c.belief.aside()
	return c
}

// gridAfter is the first moment after t on a grid from pitch.
func gridAfter(pitch, t time.Time, step time.Duration) time.Time {
	origin := pitch.Add(lookPhase)
	n := t.Sub(origin) / step
	g := origin.Add(n * step)
	for !g.After(t) {
		g = g.Add(step)
	}
	for g.Add(-step).After(t) {
		g = g.Add(-step)
	}
	return g
}

// next is when this course looks next: each quarter of an hour while inputs
// come, seldom in a long silence, but soon after the next input.
func (c *course) next(pitch time.Time, l *ledger) time.Time {
	step := lookEvery
	switch quiet := c.at.Sub(c.trail.LastInput); {
	case quiet >= dailyAfter:
		step = 24 * time.Hour
	case quiet >= hourlyAfter:
		step = time.Hour
	}
	t := gridAfter(pitch, c.at, step)
	if step == lookEvery {
		return t
	}
	if i := l.from(c.at); i < len(l.items) {
		if soon := gridAfter(pitch, l.items[i].time, lookEvery); soon.Before(t) {
			return soon
		}
	}
	return t
}

// run takes in the inputs before t and advances to t.
func (c *course) run(t time.Time, b *projection.Batch, l *ledger) {
	inputs := l.between(c.at, t)
	for i, in := range inputs {
		if !overtaken(in, inputs[i+1:]) {
			c.take(in, b)
		}
	}
	c.belief.Advance(t)
	c.at = t
	c.remember(b.PitchedAt)
}

// take gives one input to the belief.
func (c *course) take(in item, b *projection.Batch) {
	tr := &c.trail
	tr.LastInput = in.time
	switch {
	case in.obs != nil:
		tr.observe(*in.obs, b)
		c.belief.Observe(*in.obs)
	case in.sample != nil:
		tr.Samples++
		if in.sample.Gravity != nil || in.sample.Brix != nil {
			tr.LastSample = in.time
		}
		if in.sample.PH != nil {
			v := *in.sample.PH
			tr.PH, tr.PHAt = &v, in.time
		}
		c.belief.Sample(*in.sample)
	case tr.Crash != nil: // it started once
	default:
		c.belief.Advance(in.time)
		t := in.time
		left := c.belief.Project().ABVIfLeft
		tr.Crash, tr.CrashTemp, tr.IfWarm = &t, c.belief.Estimate().Temperature, &left
		c.belief.CrashStarted(in.time)
	}
}

// observe remembers what the judges need of a reading.
func (tr *trail) observe(o projection.Observation, b *projection.Batch) {
	switch o.Quantity {
	case projection.Gravity:
		tr.LastGravity = o.Time
	case projection.PH:
		v := o.Value
		tr.PH, tr.PHAt = &v, o.Time
	case projection.Temperature:
		if !projection.BeersOwn(o.Value) {
			return // no beer's; the belief does not use it either
		}
		v := gravity.Celsius(o.Value)
		tr.Temp, tr.TempAt = &v, o.Time
		if tr.Crash == nil {
			return
		}
		tr.cooled(o)
		if tr.Coldest == nil || v < *tr.Coldest {
			tr.Coldest = &v
		}
		if tr.ColdAt == nil && v <= b.Crash.To+ColdMargin {
			t := o.Time
			tr.ColdAt = &t
		}
	}
}

// news changes with what makes earlier opinions of the crash by worthless: a sample,
// the start of the crash, and the first gravity of a float, for what was held before
// it was held blindly.
func (tr *trail) news() int {
	n := tr.Samples
	if !tr.LastGravity.IsZero() {
		n++
	}
	if tr.Crash != nil {
		return -1 - n
	}
	return n
}

// remember keeps what the judges need of the belief at a look.
func (c *course) remember(pitched time.Time) {
	tr := &c.trail
	p := c.belief.Project()
	tr.Lately.steady(c.at, pitched, tr.news(), &p)
	c.projection = &p
	if tr.ColdAt != nil && tr.ColdGravity == nil && !c.at.Before(tr.ColdAt.Add(coldSettle)) {
		g := c.belief.Estimate().Gravity
		tr.ColdGravity = &g
	}
}
