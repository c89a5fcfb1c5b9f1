package ferment

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection/gravity"
)

// The table was integrated numerically from the two laws it names; here the
// closed form must give the same to its three decimals.
func TestEquivalentHoursReproducesTheTable(t *testing.T) {
	rows := readReference(t, "cooling_equivalent_time.csv")
	require.Len(t, rows, 210)
	for _, r := range rows {
		for column, horizon := range map[string]time.Duration{
			"eq_h_6h": 6 * time.Hour, "eq_h_12h": 12 * time.Hour, "eq_h_24h": 24 * time.Hour, "eq_h_48h": 48 * time.Hour,
		} {
			got := EquivalentHours(gravity.Celsius(r.num(t, "T0_C")), gravity.Celsius(r.num(t, "Ta_C")),
				hours(r.num(t, "tau_h")), r.num(t, "Q10"), horizon)
			require.InDelta(t, r.num(t, column), got, 0.00051, "%s of %v", column, r)
		}
	}
}

// The time constants were computed from the law τ = m·cp/(U·A) with textbook
// ranges of U; the table rounds to a hundredth of an hour.
func TestVesselTimeConstantReproducesTheTable(t *testing.T) {
	for _, r := range readReference(t, "cooling_time_constants.csv") {
		mass, area := r.num(t, "mass_kg"), r.num(t, "area_m2")
		require.InDelta(t, r.num(t, "tau_h_slow"), VesselTimeConstant(mass, area, r.num(t, "U_low")).Hours(), 0.006, r["case"])
		require.InDelta(t, r.num(t, "tau_h_fast"), VesselTimeConstant(mass, area, r.num(t, "U_high")).Hours(), 0.006, r["case"])
	}
	require.Zero(t, VesselTimeConstant(21, 0, 10))
}

// Over-run at 0.10 point an hour in a refrigerator: about one point in a day
// (facts README, "Stopping").
func TestOverRunOfARefrigeratorIsAboutAPointADay(t *testing.T) {
	over := OverRun(0.10, Cooling{Start: 20, To: 2, TimeConstant: 8 * time.Hour}, 2.5, 24*time.Hour)
	require.InDelta(t, 1.0, float64(over), 0.2)
}

func TestTemperatureWhileCooling(t *testing.T) {
	c := Cooling{Start: 20, To: 2, TimeConstant: 5 * time.Hour}
	require.InDelta(t, 20, float64(c.Temperature(-time.Hour)), 0)
	require.InDelta(t, 2+18/math.E, float64(c.Temperature(5*time.Hour)), 1e-9)
	require.InDelta(t, 2, float64(c.Temperature(1000*time.Hour)), 1e-9)
	require.InDelta(t, 2, float64(Cooling{Start: 20, To: 2}.Temperature(time.Second)), 0)

	after, reached := c.TimeTo(4)
	require.True(t, reached)
	require.InDelta(t, 5*math.Log(9), after.Hours(), 1e-6)
	for _, never := range []gravity.Celsius{2, 1, 21} {
		_, reached = c.TimeTo(never)
		require.False(t, reached, "%g", never)
	}
}

// Q10 of the published activation energies between 10 and 20 °C: uptake of
// glucose 94.6, maltose 47.3, maltotriose 30.0 kJ/mol (Gee & Ramirez 1988),
// computed by hand from ln Q10 = E/R·(1/283.15 − 1/293.15).
func TestArrheniusAgainstQ10(t *testing.T) {
	for energy, q10 := range map[float64]float64{94.6: 3.938, 47.3: 1.985, 30.0: 1.545} {
		require.InDelta(t, q10, Q10OfEnergy(energy, 10), 0.002)
		require.InDelta(t, energy, EnergyOfQ10(Q10OfEnergy(energy, 10), 10), 1e-9)
	}
	require.InDelta(t, 4, Q10Factor(2, 30, 10), 1e-12)
}

func TestLawsOfCooling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := gravity.Celsius(rapid.Float64Range(5, 30).Draw(t, "start"))
		to := gravity.Celsius(rapid.Float64Range(-1, 30).Draw(t, "to"))
		tau := hours(rapid.Float64Range(0, 20).Draw(t, "tau"))
		q10 := rapid.Float64Range(1, 5).Draw(t, "q10")
		horizon := hours(rapid.Float64Range(0, 200).Draw(t, "horizon"))
		got := EquivalentHours(start, to, tau, q10, horizon)

		coldest, warmest := min(start, to), max(start, to)
		require.GreaterOrEqual(t, got, horizon.Hours()*Q10Factor(q10, coldest, start)*(1-1e-9)-1e-9, "at least at the coldest rate")
		require.LessOrEqual(t, got, horizon.Hours()*Q10Factor(q10, warmest, start)*(1+1e-9)+1e-9, "at most at the warmest rate")
		longer := EquivalentHours(start, to, tau, q10, horizon+time.Hour)
		require.GreaterOrEqual(t, longer, got, "never shrinks with time")
		require.InDelta(t, horizon.Hours(), EquivalentHours(start, to, tau, 1, horizon), 1e-6, "no dependence, no gain")

		at := rapid.Float64Range(0, 100).Draw(t, "at")
		temp := Cooling{Start: start, To: to, TimeConstant: tau}.Temperature(hours(at))
		require.True(t, temp >= coldest-1e-9 && temp <= warmest+1e-9)
	})
}

// hours makes a duration of a number of hours.
func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
