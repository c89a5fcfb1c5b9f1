package main

import (
	"errors"
	"fmt"
	"slices"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// plan is all that `ebbline plan` says; --json prints it as it is. Gravities in
// SG, differences in points, strengths in % ABV, temperatures in °C, volumes in
// litres, pressures in bar above the air's.
type plan struct {
	OriginalGravity float64            `json:"original_gravity"`
	OriginalPlato   float64            `json:"original_plato"`
	Ceiling         string             `json:"ceiling"`
	Rule            gravity.Rule       `json:"rule"`
	Risk            float64            `json:"risk"`
	Target          map[string]float64 `json:"target_gravity"`
	Drop            map[string]float64 `json:"drop_points"`
	MarginPoints    float64            `json:"margin_points"`
	// StopAt is where the beer should come to rest; nil if the measuring errors
	// use up the whole drop.
	StopAt       *float64   `json:"stop_at"`
	OverRun      quantiles  `json:"over_run_points"`
	Lead         quantiles  `json:"lead_hours"`
	CrashAt      *quantiles `json:"start_crash_at"` // SG; p90 is for the slow, cautious case
	DaysToCrash  quantiles  `json:"days_to_crash"`
	DaysToTarget quantiles  `json:"days_to_target"`
	PH           planPH     `json:"ph"`
	Packaging    packaging  `json:"packaging"`
	Rescue       *rescue    `json:"rescue"` // nil if the wort cannot go over by a tenth
	Maltose      *maltose   `json:"maltose_negative"`
	MoreBody     []body     `json:"more_body"`
	Warnings     []string   `json:"warnings"`
	Cautions     []string   `json:"cautions"`

	request planRequest
}

// planPH is the acidity to reach.
type planPH struct {
	WortAtMost  float64 `json:"wort_at_most"`
	FinalBelow  float64 `json:"final_below"`
	NoGrowth    float64 `json:"no_growth_seen_at"`
	Growth      float64 `json:"growth_seen_at"`
	UnsafeAbove float64 `json:"unsafe_above"`
}

// wortPH is that to which wort for such beer is acidified at most before
// pitching: 4.2 to 4.5, common practice.
const wortPH = 4.5

// packaging is what happens to alcohol and pressure after the stop.
type packaging struct {
	Way          string             `json:"way"`
	CO2Volumes   float64            `json:"co2_volumes"`
	Residual     float64            `json:"residual_volumes"`
	SugarKind    gravity.Sugar      `json:"sugar,omitempty"`
	SugarGrams   float64            `json:"sugar_g,omitempty"`
	AddedABV     float64            `json:"added_abv"` // priming and additions
	Pressure     float64            `json:"pressure_bar"`
	PressureAt   float64            `json:"pressure_at_celsius"`
	StopAt       *float64           `json:"stop_at"` // that leaves room for AddedABV
	Referment    []refermentOutcome `json:"if_it_referments_closed"`
	RefermentsAt float64            `json:"referments_at_celsius"`
}

// refermentOutcome is what so many further points do in a closed vessel.
type refermentOutcome struct {
	Points   float64 `json:"further_points"`
	ABV      float64 `json:"added_abv"`
	Volumes  float64 `json:"added_volumes"`
	Pressure float64 `json:"pressure_bar"`
}

// rescue is the dilution that brings a beer a tenth of a per cent over back.
type rescue struct {
	FromABV     float64 `json:"from_abv"`
	WaterLitres float64 `json:"water_litres"`
	Factor      float64 `json:"bitterness_factor"`
	SG          float64 `json:"gravity"`
}

// maltose is what a yeast that takes no maltose can reach.
type maltose struct {
	CapLow   float64 `json:"abv_low"`
	CapHigh  float64 `json:"abv_high"`
	HighestO float64 `json:"original_gravity_that_rests_below"`
}

// body is another wort stopped at the same ceiling.
type body struct {
	OriginalGravity float64  `json:"original_gravity"`
	Target          float64  `json:"target_gravity"`
	StopAt          *float64 `json:"stop_at"`
	RealExtract     float64  `json:"real_extract_plato"`
}

func newPlan(r planRequest) (*plan, error) {
	targets, err := gravity.Targets(r.og, r.ceiling)
	if errors.Is(err, gravity.ErrOutOfReach) {
		return nil, fmt.Errorf("%w, so nothing needs stopping; give a higher --og or a lower --ceiling", err)
	}
	if err != nil {
		return nil, err
	}
	p := &plan{
		OriginalGravity: float64(r.og), OriginalPlato: float64(r.og.Plato()), Ceiling: r.ceiling.String(), Rule: r.rule, Risk: r.risk,
		Target: map[string]float64{}, Drop: map[string]float64{}, Warnings: []string{}, request: r,
		PH: planPH{wortPH, float64(gravity.PHTrade), float64(gravity.PHNoGrow), float64(gravity.PHGrow), float64(gravity.PHAcid)},
	}
	for rule, g := range targets {
		p.Target[string(rule)] = float64(g)
		p.Drop[string(rule)] = float64((r.og - g) * 1000)
	}
	stop, margin, err := r.rule.StopAt(r.og, r.ceiling, r.errors, r.risk)
	if err != nil {
		return nil, err
	}
	p.MarginPoints = float64(margin)
	e := expect(r, gravity.Points((r.og-stop)*1000), gravity.Points((r.og-targets[r.rule])*1000))
	p.OverRun, p.Lead, p.DaysToCrash, p.DaysToTarget = e.overRun, e.lead, e.days, e.target
	p.judgeStop(stop)
	if p.Packaging, err = newPackaging(r, stop); err != nil {
		return nil, err
	}
	p.judgePackaging()
	if err := p.addRest(); err != nil {
		return nil, err
	}
	return p, nil
}

// judgeStop says whether there is room to stop in at all.
func (p *plan) judgeStop(stop gravity.SG) {
	p.StopAt = below(stop, p.request.og)
	if p.StopAt == nil {
		p.Warnings = append(p.Warnings, fmt.Sprintf("The measuring errors need a margin of %.1f points, but the whole drop to the ceiling is %.1f: it cannot be kept at this risk with these instruments. Measure better (--sample-sd), accept more --risk, or plan a higher ceiling.", p.MarginPoints, p.Drop[string(p.Rule)]))
		return
	}
	at := func(over float64) float64 { return *p.StopAt + over/1000 }
	p.CrashAt = &quantiles{at(p.OverRun.P10), at(p.OverRun.P50), at(p.OverRun.P90)}
	switch {
	case p.CrashAt.P50 >= p.OriginalGravity:
		p.Warnings = append(p.Warnings, "While it cools, the beer is likely to fall further than it may fall in all. Cool faster (ice water, a fan, glycol: --time-constant), ferment cooler, or move it cold before it ferments.")
	case p.CrashAt.P90 >= p.OriginalGravity:
		p.Warnings = append(p.Warnings, "If this yeast is quick, the beer falls further while it cools than it may fall in all. Cool faster or ferment cooler, so that there is time to act.")
	}
}

// below is g if it lies below the original gravity.
func below(g, og gravity.SG) *float64 {
	if g >= og {
		return nil
	}
	x := float64(g)
	return &x
}

// warm is the temperature for which refermentation is shown, °C.
const warm = 20

// usualHeadspace is the share of a bottle's or keg's beer that is gas above it.
const usualHeadspace = 0.05

func newPackaging(r planRequest, stop gravity.SG) (packaging, error) {
	w := packaging{Way: "keg", CO2Volumes: float64(r.carbonation), PressureAt: float64(r.crashTo), RefermentsAt: warm}
	residual := min(gravity.SaturationCO2(r.temperature), r.carbonation)
	w.Residual = float64(residual)
	if r.bottle {
		w.Way, w.SugarKind = "bottle", r.sugar
		w.SugarGrams = r.sugar.Dose(r.carbonation-residual) * float64(r.volume)
		w.AddedABV = float64(gravity.PrimingABV(r.carbonation - residual))
	}
	cold := max(r.crashTo, 0) // Weiss 1974 holds from 0 °C
	w.Pressure, w.PressureAt = float64(gravity.EquilibriumPressure(r.carbonation, cold)), float64(cold)
	if r.addition > 0 {
		mixed, err := r.ceiling.Limit.Mixed(r.volume, float64(r.addition)*1000, r.strength)
		if err != nil {
			return w, err
		}
		w.AddedABV += float64(mixed - r.ceiling.Limit)
	}
	if room := r.ceiling.Limit - gravity.ABV(w.AddedABV); room > 0 {
		g, _, err := r.rule.StopAt(r.og, gravity.Ceiling{Limit: room, Strict: r.ceiling.Strict}, r.errors, r.risk)
		if err != nil {
			return w, err
		}
		w.StopAt = below(g, r.og)
	}
	closed := gravity.Referment{OriginalGravity: r.og, Gravity: min(stop, r.og), Dissolved: r.carbonation, Headspace: usualHeadspace}
	for _, further := range []gravity.Points{1, 2, 5} {
		bar, abv, made, err := closed.Pressure(further, warm)
		if err != nil {
			return w, err
		}
		w.Referment = append(w.Referment, refermentOutcome{float64(further), float64(abv), float64(made), float64(bar)})
	}
	return w, nil
}

func (p *plan) judgePackaging() {
	w := p.Packaging
	if w.AddedABV > 0 && w.StopAt == nil && p.StopAt != nil {
		p.Warnings = append(p.Warnings, fmt.Sprintf("What is added after the stop brings %.2f %% ABV: with the margin that leaves nothing of the ceiling. Carbonate in a keg by gas, add less, or plan a higher ceiling.", w.AddedABV))
	}
	if p.request.bottle {
		p.Cautions = gravity.Cautions(gravity.Bottling)
	}
	for _, c := range gravity.Cautions(gravity.Planning) {
		if !slices.Contains(p.Cautions, c) {
			p.Cautions = append(p.Cautions, c)
		}
	}
}

// addRest adds dilution, the yeast's own cap and other worts.
func (p *plan) addRest() error {
	r := p.request
	if over := r.ceiling.Limit + 0.1; over < gravity.Utmost(r.og) {
		d, err := gravity.DiluteTo(over, r.rule.GravityAt(r.og, over), r.volume, r.ceiling.Limit)
		if err != nil {
			return err
		}
		p.Rescue = &rescue{float64(over), float64(d.Water), d.Factor, float64(d.SG)}
	}
	if r.yeast == projection.MaltoseNegative {
		highest, err := gravity.SimpleSugarHigh.OriginalGravityFor(r.ceiling)
		if err != nil {
			return err
		}
		p.Maltose = &maltose{float64(gravity.SimpleSugarLow.Cap(r.og)), float64(gravity.SimpleSugarHigh.Cap(r.og)), float64(highest)}
	}
	for _, more := range []gravity.SG{0, 0.004, 0.008, 0.016} {
		og := r.og + more
		target, err := r.rule.Target(og, r.ceiling)
		if err != nil {
			break // beyond 1.200: no wort
		}
		stop, _, err := r.rule.StopAt(og, r.ceiling, r.errors, r.risk)
		if err != nil {
			return err
		}
		left := below(stop, og)
		rest := target
		if left != nil {
			rest = stop
		}
		p.MoreBody = append(p.MoreBody, body{float64(og), float64(target), left, float64(gravity.RealExtract(og, rest))})
	}
	return nil
}
