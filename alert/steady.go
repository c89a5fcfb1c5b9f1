package alert

import (
	"slices"
	"time"

	"ebbline/projection"
)

// steadyFor is how far back the opinions reach that the crash by is taken from.
const steadyFor = 2 * time.Hour

// opinion is what one look held for the last moment to start the crash; nil: no
// crash is needed.
type opinion struct {
	At time.Time
	By *time.Time
}

// lately are the opinions of the last looks.
type lately struct {
	Opinions []opinion
	News     int // what the belief had then taken in beside readings
	// Told is the crash by that was made of them last; nil: none.
	Told *time.Time
}

// steady puts one of the opinions of the last two hours in the place of the
// newest: the earliest but one, so that two looks move the time to an earlier one
// and it goes back only when two hours agree. A single look rests on a few readings
// of a float that errs and on a sample of futures; the first of many looks that
// dips would otherwise decide, and the time shown would flap by hours. With a
// hand sample, the first gravity of a float or the start of the crash, what was held
// before no longer counts.
func (l *lately) steady(now, pitched time.Time, news int, p *projection.Projection) {
	kept := []opinion{} // of its own: copies of a course share the old one
	for _, o := range l.Opinions {
		if news == l.News && now.Sub(o.At) <= steadyFor && o.At.Before(now) {
			kept = append(kept, o)
		}
	}
	l.Opinions, l.News = append(kept, opinion{now, l.passed(now, pitched, p.CrashBy)}), news
	p.CrashBy = l.early()
	l.Told = p.CrashBy
}

// passed puts a moment that was told in the place of the pitch, at which no crash was
// ever due: an opinion that reaches back there knows only that the moment has passed,
// as of beer that came to rest above its ceiling. It passed when it was told to, or
// else it is found now that it has.
func (l *lately) passed(now, pitched time.Time, by *time.Time) *time.Time {
	switch {
	case by == nil || by.After(pitched.Add(time.Second)):
		return by
	case l.Told != nil && l.Told.Before(now):
		return l.Told
	}
	return &now
}

// early is the earliest opinion but one of two full hours, the earliest of fewer.
func (l *lately) early() *time.Time {
	byTime := slices.Clone(l.Opinions)
	slices.SortStableFunc(byTime, func(a, b opinion) int {
		switch {
		case a.By == nil && b.By == nil:
			return 0
		case a.By == nil:
			return 1
		case b.By == nil:
			return -1
		}
		return a.By.Compare(*b.By)
	})
	return byTime[(len(byTime)-1)/int(steadyFor/lookEvery)].By
}
