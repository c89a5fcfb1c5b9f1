package config

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
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
		f.pitched = Error{}
		require.Equal(t, f, back, file)
	}
}
