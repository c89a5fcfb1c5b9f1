// Package ferment holds what yeast and vessels do: published kinetics of
// fermentation, Newton's law of cooling, how far a batch runs on while it
// cools, and Virtual, a simulated batch whose truth is known and whose sensors
// err as floats and thermometers do.
//
// It believes nothing: estimating from readings is projection's, which must
// not be of the same model family as Virtual, or tests would flatter it.
package ferment
