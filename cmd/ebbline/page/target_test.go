package page

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// The table holds the drop at which each published rule reaches a ceiling; its
// Balling column was computed apart from this code.
func TestTargetAgainstTheTable(t *testing.T) {
	raw, err := os.ReadFile("testdata/stop_gravity.csv")
	require.NoError(t, err)
	_, table, _ := strings.Cut(string(raw), "\n") // the first line names the source
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 50)
	for _, row := range rows[1:] {
		og, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		limit, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		drop, err := strconv.ParseFloat(row[5], 64)
		require.NoError(t, err)
		got := targetOf(projection.Batch{OriginalGravity: gravity.SG(og), Ceiling: gravity.Ceiling{Limit: gravity.ABV(limit)}})
		require.NotNil(t, got)
		require.InDelta(t, og-drop/1000, *got, 1e-6, "from %s to %s %%", row[0], row[1])
	}
}

func TestNoTargetWithoutItsNumbers(t *testing.T) {
	for name, b := range map[string]projection.Batch{
		"no original gravity": {Ceiling: gravity.Ceiling{Limit: 0.5}},
		"no ceiling":          {OriginalGravity: 1.0132},
		"never reached":       {OriginalGravity: 1.0132, Ceiling: gravity.Ceiling{Limit: 12}},
	} {
		require.Nil(t, targetOf(b), name)
	}
}
