package alert

import (
	"fmt"
	"math"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Texts about packaging: keg against bottle before it, final figures after it.

const (
	// carbonated is what bottles are usually primed to, volumes of CO2, and
	// bottleSpace the headspace of a bottle as a share of its beer (both common
	// practice).
	carbonated  = gravity.Volumes(2)
	bottleSpace = 0.04
	// indoors is where a forgotten bottle stands, °C.
	indoors = gravity.Celsius(20)
	// noGain is a further fermentation that is not worth a word, points.
	noGain = 0.2
)

// bottle is the word of an entry for beer that went into bottles.
const bottle = "bottle"

// kegOrBottle sets the one against the other, of beer that is not cold yet by
// what it comes to.
func (v *view) kegOrBottle() string {
	e := v.estimate
	if left := v.projection.ABVIfLeft; v.trail.ColdAt == nil && v.packaged == nil {
		const p90 = 1.2816 // standard deviations from the middle
		e.ABV, e.ABVSD = left.P50, (left.P90-left.P10)/(2*p90)
	}
	return kegOrBottle(v.batch, &e)
}

// kegOrBottle sets the one against the other in alcohol.
func kegOrBottle(b *projection.Batch, e *projection.Estimate) string {
	each := gravity.PrimingABV(1)
	primed := e.ABV + gravity.PrimingABV(carbonated)
	verdict := ""
	if !b.Ceiling.Holds(primed) {
		verdict = ", above the ceiling of " + ceiling(b.Ceiling)
	}
	return fmt.Sprintf("Kegged under CO2 and kept cold it stays near %s. Primed for bottles, each volume of CO2 adds %.2f %% ABV: %g volumes make it %s%s.",
		strength(e.ABV, e.ABVSD), float64(each), float64(carbonated), strength(primed, e.ABVSD), verdict)
}

// packagedSentence says what is to be kept in mind of packaged beer and closes
// the batch with its figures. Of beer that was closed up without having been cold
// and quiet it does not say that a ceiling holds.
func packagedSentence(w words, b *projection.Batch, st *State) string {
	bottled, figures := "", finalFigures(w, b, st)
	if st.Into == bottle {
		bottled = " " + ifBottlesWarm(w, b, st) + gravity.CautionBottle
	}
	if st.Cold == nil || st.is(StillFermenting) && !st.has(StillFermenting, coldInBottles) {
		return packagedWarmSentence(w, b, st) + bottled + " " + gravity.CautionPressure + " " + figures
	}
	e, p := st.Estimate, st.Projection
	return fmt.Sprintf("Keep it at 5 °C (41 °F) or below: packaged at %s with %s, and the yeast in it is alive. Kept cold, the ceiling of %s holds in %s.%s %s",
		w.at(*st.Packaged), strength(e.ABV, e.ABVSD), ceiling(b.Ceiling), holds(1-max(p.OverNow, p.Crosses.Probability)), bottled, figures)
}

// coldInBottles is the subject of the alert about beer that went cold and quiet into
// bottles.
const coldInBottles = "bottled"

// finalFigures closes a batch.
func finalFigures(w words, b *projection.Batch, st *State) string {
	e := st.Estimate
	acid := "no pH recorded"
	if st.PH != nil {
		acid = fmt.Sprintf("pH %.2f", *st.PH)
		if !gravity.PH(*st.PH).Likely() {
			acid += ", hardly that of beer"
		}
	}
	share, sd := Attenuation(b, e)
	return fmt.Sprintf("Final figures: %s, %s from %s, apparent attenuation %.1f ± %.1f %%, %s.",
		strength(e.ABV, e.ABVSD), w.gravity(e), w.sg(b.OriginalGravity), share, sd, acid)
}

// Attenuation is the apparent attenuation that the believed strength stands for,
// %, with the deviation that the strength and the original gravity leave in it.
func Attenuation(b *projection.Batch, e *projection.Estimate) (share, sd float64) {
	og := b.OriginalGravity
	drop, spread := fallen(b, e)
	at := func(points float64) float64 {
		return 100 * gravity.ApparentAttenuation(og, og-gravity.SG(points/1000))
	}
	share = at(drop)
	return share, math.Hypot(at(drop+spread)-share, share*float64(b.OriginalGravitySD/og.Points()))
}

// ifBottlesWarm says what living yeast would make of the beer in a closed bottle
// that is forgotten indoors, at the upper end of 9 of 10 cases; empty if it would
// hardly change. A space follows.
func ifBottlesWarm(w words, b *projection.Batch, st *State) string {
	left := st.Projection.ABVIfLeft
	if st.IfWarm != nil {
		left = *st.IfWarm
	}
	at := func(a gravity.ABV) gravity.SG { return b.Rule.GravityAt(b.OriginalGravity, max(0, a)) }
	now := at(st.Estimate.ABV)
	further := now.Points() - at(left.P90).Points()
	if further < noGain {
		return ""
	}
	dissolved := gravity.SaturationCO2(indoors)
	vessel := gravity.Referment{OriginalGravity: b.OriginalGravity, Gravity: now, Dissolved: dissolved, Headspace: bottleSpace}
	bar, _, _, err := vessel.Pressure(further, indoors)
	vessel.Dissolved += carbonated
	primed, _, _, err2 := vessel.Pressure(further, indoors)
	if err != nil || err2 != nil {
		return "" // more points than any wort holds: refused with the batch
	}
	return fmt.Sprintf("Kept at %s instead, in 1 of 10 cases it comes to more than %.2f %% ABV and %.1f bar in the closed bottle; primed with %g volumes of CO2, to more than %.2f %% ABV and %.1f bar. ",
		w.set(indoors), float64(left.P90), float64(bar), float64(carbonated), float64(left.P90+gravity.PrimingABV(carbonated)), float64(primed))
}
