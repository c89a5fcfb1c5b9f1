package config

import "ebbline/projection/gravity"

func platoSG(p gravity.Plato) gravity.SG { return gravity.SG(1 + p/(258.6-0.87955*p)) }
func brixSG(p gravity.Brix) gravity.SG   { return platoSG(gravity.Plato(p)) }
