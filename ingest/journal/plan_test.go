package journal

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Law: no question asked while readings arrive walks through a whole table or
// sorts what it finds: each has its index, so millions of rows do no harm.
func TestQuestionsHaveTheirIndex(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	for name, text := range map[string]string{
		"readings":       readingsText,
		"last reading":   lastReadingText,
		"readings after": readingsAfterText,
		"inputs":         inputsText,
		"entries":        inputEntriesText,
		"events after":   eventsAfterText,
		"all events":     eventsText(0, false),
		"newest events":  eventsText(0, true),
		"one type":       eventsText(1, false),
		"latest event":   eventsText(1, true),
		"last of each":   lastOfText,
		"two types":      eventsText(2, true),
		"due":            dueText,
		"next due":       nextDueText,
		"bucket":         bucketText,
		"hours":          hoursText,
		"series":         seriesText,
		"seen":           seenText,
	} {
		args := make([]any, strings.Count(text, "?"))
		if name == "bucket" || name == "hours" {
			args = make([]any, 3)
		}
		steps, err := query(t.Context(), j.read, "EXPLAIN QUERY PLAN "+text, args, func(row scanner) (s string, err error) {
			return s, row.Scan(new(int), new(int), new(int), &s)
		})
		require.NoError(t, err, name)
		require.NotEmpty(t, steps, name)
		for _, step := range steps {
			require.NotContains(t, step, "TEMP B-TREE", name)
			if strings.HasPrefix(step, "SCAN") && (name != "seen" || !strings.HasPrefix(step, "SCAN s ")) { // each series
				require.Contains(t, step, "delivery_due", name+": the few that wait")
			}
		}
	}
}
