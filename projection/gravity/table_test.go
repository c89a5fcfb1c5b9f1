package gravity

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// row is one row of a reference table by column name.
type row map[string]string

// num is a cell as a number, which it must be.
func (r row) num(t *testing.T, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, "column %s of %v", column, r)
	return x
}

// table reads testdata/reference/NAME.csv, whose first line names the source.
func table(t *testing.T, name string, rows int) []row {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name+".csv"))
	require.NoError(t, err)
	source, body, _ := strings.Cut(string(data), "\n")
	require.True(t, strings.HasPrefix(source, "# source: "), "the first line names the source")
	cells, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	require.NoError(t, err)
	var all []row
	for _, line := range cells[1:] {
		r := row{}
		for i, x := range line {
			r[cells[0][i]] = x
		}
		all = append(all, r)
	}
	require.Len(t, all, rows, "a table that lost its rows checks nothing")
	return all
}
