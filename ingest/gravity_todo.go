package ingest

import "ebbline/projection/gravity"

func platoSG(p float64) float64   { return 1 + p/(258.6-0.87955*p) }
func brixSG(p float64) float64    { return platoSG(p) }
func densitySG(r float64) float64 { return r / 998.2 }
func corrected(sg float64, t, cal gravity.Celsius, gamma float64) float64 {
	return sg
}
