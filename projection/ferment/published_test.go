package ferment

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// Trajectories of Gee & Ramirez' model with its published parameters (K_M with
// exp(−19.15)), integrated independently by LSODA at a tolerance of 1e-10.
func TestThreeSugarReproducesThePublishedTrajectories(t *testing.T) {
	rows := readReference(t, "gee_ramirez_trajectory.csv")
	require.Len(t, rows, 60)
	start := map[string]ThreeSugar{}
	for _, r := range rows {
		want := ThreeSugar{r.num(t, "G"), r.num(t, "M"), r.num(t, "N"), r.num(t, "X"), r.num(t, "E")}
		if r.num(t, "t_h") == 0 {
			start[r["case"]] = want
		}
		// This case follows published code that leaves growth inhibition out.
		crowding := 3.65e5
		if r["case"] == "chebfun-like" {
			crowding = math.Inf(1)
		}
		got := start[r["case"]].after(hours(r.num(t, "t_h")), gravity.Celsius(r.num(t, "T_C")), crowding)
		where := fmt.Sprintf("%s at %s h", r["case"], r["t_h"])
		near(t, want.Glucose, got.Glucose, where)
		near(t, want.Maltose, got.Maltose, where)
		near(t, want.Maltotriose, got.Maltotriose, where)
		near(t, want.Biomass, got.Biomass, where)
		near(t, want.Ethanol, got.Ethanol, where)
		require.InDelta(t, r.num(t, "abv_pct"), float64(got.ABV()), 2e-4, where)
	}
}

// The other form in print of K_M must not pass for the one used here.
func TestThreeSugarTellsTheTwoPrintedFormsOfKMApart(t *testing.T) {
	require.InDelta(t, math.Exp(-19.15+14.4/(1.987e-3*293.15)), geeRamirezAt(20).halfM, 1e-9)
	require.Greater(t, geeRamirezAt(20).halfM/math.Exp(-19.5+14.4/(1.987e-3*293.15)), 1.4)
}

// Trajectories of de Andrés-Toro's model with its published rate constants,
// integrated independently by LSODA at a tolerance of 1e-10.
func TestTwoCellsReproducesThePublishedTrajectories(t *testing.T) {
	rows := readReference(t, "de_andres_toro_trajectory.csv")
	require.Len(t, rows, 144)
	var start, last TwoCells
	var lastHour float64
	for _, r := range rows {
		want := TwoCells{
			r.num(t, "X_active"), r.num(t, "X_latent"), r.num(t, "X_dead"),
			r.num(t, "S"), r.num(t, "E"), r.num(t, "DY"), r.num(t, "EA"),
		}
		if r.num(t, "t_h") == 0 {
			start, last, lastHour = want, want, 0
		}
		got := last.After(hours(r.num(t, "t_h")-lastHour), gravity.Celsius(r.num(t, "T_C")), start.Sugar)
		last, lastHour = got, r.num(t, "t_h")
		where := fmt.Sprintf("init %s, %s °C at %s h", r["init"], r["T_C"], r["t_h"])
		near(t, want.Active, got.Active, where)
		near(t, want.Latent, got.Latent, where)
		near(t, want.Dead, got.Dead, where)
		near(t, want.Sugar, got.Sugar, where)
		near(t, want.Ethanol, got.Ethanol, where)
		near(t, want.Diacetyl, got.Diacetyl, where)
		near(t, want.EthylAcetate, got.EthylAcetate, where)
	}
}

// near allows a relative error of 1e-6 and twice the table's rounding at 1e-6.
func near(t *testing.T, want, got float64, where string) {
	t.Helper()
	require.InDelta(t, want, got, 1e-6*math.Abs(want)+2e-6, where)
}
