package config

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

func TestEveryCaptureBatchLoadsAndComesBackFromTheRecord(t *testing.T) {
	files, err := filepath.Glob("../../../testdata/captures/*/batch.yaml")
	require.NoError(t, err)
	require.Len(t, files, 84)
	for _, file := range files {
		f, err := LoadBatch(file)
		require.NoError(t, err, file)
		back, err := DecodeSpec(f.Raw)
		require.NoError(t, err, file)
		f.Warnings = nil
		require.Equal(t, f, back, file)
	}
}

// Drops at which Balling's rule reaches a ceiling, computed from the published
// rule (Balling 1865 with the ASBC polynomial and divisor 0.794).
func TestTargetByBalling(t *testing.T) {
	for _, c := range []struct{ og, ceiling, drop float64 }{
		{1.010, 0.5, 3.851}, {1.010, 1.2, 9.250}, {1.012, 0.05, 0.384}, {1.012, 0.5, 3.847}, {1.015, 0.3, 2.303},
	} {
		b := projection.Batch{OriginalGravity: gravity.SG(c.og), Ceiling: gravity.Ceiling{Limit: gravity.ABV(c.ceiling)}, Rule: gravity.Balling}
		target, ok := Target(b)
		require.True(t, ok)
		require.InDelta(t, c.drop, 1000*(c.og-float64(target)), 2e-3)
	}
	_, ok := Target(projection.Batch{OriginalGravity: 1.012, Rule: gravity.HMRC})
	require.False(t, ok)
}
