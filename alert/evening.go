package alert

import (
	"fmt"
	"time"

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
	return v.title("The crash may fall in the night"), prose(
		soonSentence(w, v.batch, &st), v.atBedtime(n), v.held(n), "If you do neither, you will be woken when it is time.", w.beer(&v.estimate), v.basis())
}

// atBedtime says what a crash at the beginning of the quiet hours costs in
// alcohol that is not made, and how sure it is.
func (v *view) atBedtime(n night) string {
	bed, wait := v.belief.CrashAt(n.from), v.belief.CrashAt(*v.projection.CrashBy)
	return fmt.Sprintf("Crashed at bedtime, %s, it ends at %s, %.2f %% ABV less than if you wait, and the ceiling of %s holds in %s.",
		n.from.In(v.opts.Location).Format("15:04"), range8(bed.ABV), float64(max(0, wait.ABV.P50-bed.ABV.P50)), ceiling(v.batch.Ceiling), holds(1-bed.Over))
}

// held says at which temperature the crash moves to the morning, or that none
// does which is sane for beer that ferments.
func (v *view) held(n night) string {
	w, low := v.words(), coolest
	if r := v.opts.Range; r != nil {
		low = r.Low
	}
	t := v.estimate.Temperature
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
	set := w.setting(h.At)
	if cooler, still := v.belief.HoldToMove(target, set, set); still && set >= low {
		h = cooler
	}
	if h.CrashBy == nil {
		return fmt.Sprintf("Or hold it at %s from now on: as it looks now it then needs no crash.", w.temp(h.At))
	}
	return fmt.Sprintf("Or hold it at %s from now on: that moves the crash to about %s.", w.temp(h.At), w.by(*h.CrashBy))
}
