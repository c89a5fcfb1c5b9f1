package ferment

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// row is one line of a reference table, by column name.
type row map[string]string

func (r row) num(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, "column %s of %v", column, r)
	return v
}

// readReference reads a table of testdata/reference; its first line names the
// published source.
func readReference(t *testing.T, name string) []row {
	t.Helper()
	table, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
	require.NoError(t, err)
	r := csv.NewReader(bytes.NewReader(table))
	r.Comment = '#'
	records, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(records), 1, name)
	rows := make([]row, 0, len(records)-1)
	for _, record := range records[1:] {
		one := row{}
		for i, column := range records[0] {
			one[column] = record[i]
		}
		rows = append(rows, one)
	}
	return rows
}
