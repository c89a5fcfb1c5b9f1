package alert

import (
	"cmp"
	"fmt"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

const (
	// coolest is what beer is held at for a night, at the least, °C, unless the
	// batch's range says otherwise: colder, ale yeast settles and may not take up
	// its work again (common practice).
	coolest = gravity.Celsius(10)
	// toSpare is kept between the end of the quiet hours and the crash that was
	// moved there: its time goes on moving as more is known.
	toSpare = time.Hour
)

// sayEvening tells what the brewer can choose before going to bed.
func (v *view) sayEvening(n night) (string, string) {
	w, st := v.words(), v.state()
	return v.soonTitle("The crash may fall in the night"), prose(
		v.unseen(), soonSentence(w, v.batch, &st), v.atBedtime(n), v.held(n), "If you do neither, you will be woken when it is time.", w.beer(&v.estimate), v.basis())
}

// eveningSentence says when in the night the crash may be due, and how sure that
// is.
func eveningSentence(w words, p *projection.Projection, n night) string {
	if n.has(p.CrashBy.Add(2 * p.CrashBySD)) {
		return fmt.Sprintf("Decide before bed: the crash is likely %s, in your quiet hours.", w.likely(*p.CrashBy, p.CrashBySD))
	}
	return fmt.Sprintf("Decide before bed: the crash may be due from %s, in your quiet hours (± %s).", w.by(*p.CrashBy), spread(p.CrashBySD))
}

// atBedtime says what a crash at the beginning of the quiet hours costs in
// alcohol that is not made, and how sure it is.
func (v *view) atBedtime(n night) string {
	bed, wait := v.belief.CrashAt(n.from), v.belief.CrashAt(*v.projection.CrashBy)
	unused := func(q projection.Quantiles) float64 { return float64(max(0, v.batch.Ceiling.Limit-q.P50)) }
	more := "about as much as if you wait"
	if d := unused(bed.ABV) - unused(wait.ABV); d >= 0.005 {
		more = fmt.Sprintf("%.2f %% ABV more than if you wait", d)
	}
	return fmt.Sprintf("Crashed at bedtime, %s, it ends at %s and leaves %.2f %% ABV of the ceiling unused, %s; the ceiling then holds in %s.",
		n.from.In(v.opts.Location).Format("15:04"), range8(bed.ABV), unused(bed.ABV), more, holds(1-bed.Over))
}

// held says at which temperature the crash moves to the morning, or that none
// does which is sane for beer that ferments.
func (v *view) held(n night) string {
	w, low := v.words(), coolest
	if r := v.opts.Range; r != nil {
		low = r.Low
	}
	t := cmp.Or(v.likely, v.estimate.Temperature)
	switch {
	case t == nil:
		return "What holding it cooler would do cannot be told without a thermometer."
	case *t <= low:
		return "It is too cool already to be slowed by holding it cooler."
	}
	target := n.to.Add(v.batch.ResponseTime + lookEvery + toSpare)
	h, ok := v.belief.HoldToMove(target, low, *t)
	if !ok {
		return fmt.Sprintf("Holding it cooler, down to %s, does not move the crash to the morning.", w.temp(low))
	}
	at, set := w.temp(h.At), w.setting(h.At)
	if cooler, still := v.belief.HoldToMove(target, set, set); still && set >= low {
		h, at = cooler, w.set(set)
	}
	if h.CrashBy == nil {
		return fmt.Sprintf("Or hold it at %s from now on: as it looks now it then needs no crash.", at)
	}
	return fmt.Sprintf("Or hold it at %s from now on: as it looks now that moves the crash to about %s.", at, w.by(*h.CrashBy))
}
