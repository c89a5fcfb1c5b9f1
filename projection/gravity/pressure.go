package gravity

import (
	"fmt"
	"math"
)

// Bar is a pressure in bar; a gauge pressure is above that of the air.
type Bar float64

// PSI is the pressure in pounds-force per square inch.
func (b Bar) PSI() float64 { return float64(b) * 14.503774 }

const (
	barPerAtm = 1.01325
	// gasLitreAtm is the gas constant in L·atm/(mol·K), CODATA.
	gasLitreAtm = 0.082057366
	zeroCelsius = 273.15
)

// solubility is that of CO2 in pure water, mol/(L·atm), 0 to 40 °C: R. F. Weiss,
// Marine Chemistry 2 (1974) 203. Beer dissolves a few per cent less.
func solubility(t Celsius) float64 {
	k := (float64(t) + zeroCelsius) / 100
	return math.Exp(-58.0931 + 90.5069/k + 22.2940*math.Log(k))
}

// SaturationCO2 is what beer under 1 atm of CO2 holds at t, 0 to 40 °C: about
// what fermentation leaves in an open vessel (common practice: that of the
// warmest it became since gas stopped rising).
func SaturationCO2(t Celsius) Volumes { return Volumes(solubility(t) * litresPerMole) }

// EquilibriumPressure is the gauge pressure that holds v volumes of CO2 at t,
// 0 to 40 °C, the gas taken as ideal (below 3 % off up to 6 bar). It is below
// nought where the beer holds less than it does under 1 atm of CO2.
func EquilibriumPressure(v Volumes, t Celsius) Bar {
	return gauge(float64(v) / float64(SaturationCO2(t)))
}

// Referment is beer closed in a vessel that goes on fermenting.
type Referment struct {
	OriginalGravity SG
	Gravity         SG      // when it was closed
	Dissolved       Volumes // CO2 then
	Headspace       float64 // share of the beer's volume, 0..1
}

// Pressure is the gauge pressure at t, 0 to 40 °C, after so many further points,
// CO2 in balance between beer and headspace, nothing let off; with it the
// strength and CO2 that came about. What the vessel bears stands on its own
// stamp, and no computed pressure replaces a relief valve.
func (r Referment) Pressure(further Points, t Celsius) (Bar, ABV, Volumes, error) {
	switch {
	case !(further >= 0 && further <= 200):
		return 0, 0, 0, fmt.Errorf("%g further points; allowed is 0 to 200", float64(further))
	case !(r.Headspace >= 0 && r.Headspace <= 1) || !(r.Dissolved >= 0):
		return 0, 0, 0, fmt.Errorf("headspace %g and %g volumes dissolved; allowed are a share of 0 to 1 and volumes not below 0", r.Headspace, float64(r.Dissolved))
	case !(t >= 0 && t <= 40):
		return 0, 0, 0, fmt.Errorf("pressure at %g °C; allowed is 0 to 40", float64(t))
	}
	abv, made := FermentationYield(r.OriginalGravity, r.Gravity, further)
	moles := float64(r.Dissolved+made) / litresPerMole // per litre of beer
	inHeadspace := r.Headspace / (gasLitreAtm * (float64(t) + zeroCelsius))
	return gauge(moles / (solubility(t) + inHeadspace)), abv, made, nil
}

func gauge(atm float64) Bar { return Bar((atm - 1) * barPerAtm) }
