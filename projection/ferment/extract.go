package ferment

import "ebbline/projection/gravity"

// Balling's balance (1865): 2.0665 g of extract give 1 g of ethanol, 0.9565 g
// of CO2, which leaves, and 0.11 g of yeast, which is not dissolved.
const (
	extractPerEthanol = 2.0665
	lostPerEthanol    = 0.9565 + 0.11
)

// fermented is the gravity of a wort of original gravity og of which eaten g of
// extract per 100 g were consumed, by Balling's balance and his relation of
// apparent to real extract.
func fermented(og gravity.SG, eaten float64) gravity.SG {
	original := float64(og.Plato())
	ethanol := eaten / extractPerEthanol
	real := (original - eaten) * 100 / (100 - ethanol*lostPerEthanol)
	return gravity.Plato((real - 0.1808*original) / 0.8192).SG()
}
