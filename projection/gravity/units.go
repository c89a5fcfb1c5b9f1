// Package gravity holds the arithmetic of brewing: density and extract,
// alcohol by the published rules, ceilings and target gravities, correction of
// a float's reading for temperature. Pure functions on typed quantities.
//
// It knows nothing of time, sensors or belief: those are projection's.
package gravity

// SG is a relative density at 20 °C against water at 20 °C (20/20), without
// unit; beer and wort lie in 0.980..1.200.
type SG float64

// Points is a difference of SG in thousandths: 1.013 to 1.008 is 5 points.
type Points float64

// Plato is extract in g per 100 g of solution, °P.
type Plato float64

// Brix is sucrose in g per 100 g of solution by refractive index or density, °Bx.
type Brix float64

// Density is a mass density in kg/m³.
type Density float64

// Celsius is a temperature in °C.
type Celsius float64

// ABV is alcohol in percent by volume at 20 °C.
type ABV float64

// Litres is a volume in litres.
type Litres float64

// Points tells how far s stands above 1.000, in points.
func (s SG) Points() Points { return Points((s - 1) * 1000) }

// SG is the relative density that stands p points above 1.000.
func (p Points) SG() SG { return 1 + SG(p)/1000 }
