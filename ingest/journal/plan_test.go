package journal

import (
	"maps"
	"regexp"
	"slices"
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
		"entries":        inputEntriesText(),
		"events after":   eventsAfterText(),
		"all events":     eventsText(0, false),
		"newest events":  eventsText(0, true),
		"one type":       eventsText(1, false),
		"latest event":   eventsText(1, true),
		"last of each":   lastOfText(),
		"two types":      eventsText(2, true),
		"due":            dueText,
		"next due":       nextDueText,
		"bucket":         bucketText,
		"hours":          hoursText,
		"series":         seriesText,
		"seen":           seenText,
		"thinned":        thinnedText,
	} {
		type step struct {
			id, parent int
			says       string
		}
		steps, err := query(t.Context(), j.read, "EXPLAIN QUERY PLAN "+text, make([]any, parameters(text)), func(row scanner) (s step, err error) {
			return s, row.Scan(&s.id, &s.parent, new(int), &s.says)
		})
		require.NoError(t, err, name)
		require.NotEmpty(t, steps, name)
		few := map[int]bool{} // the right side of each union: the fresh readings
		for _, step := range steps {
			if few[step.id] = few[step.parent] || step.says == "RIGHT" || step.says == "UNION ALL"; few[step.id] {
				continue
			}
			require.NotContains(t, step.says, "TEMP B-TREE", name)
			if strings.HasPrefix(step.says, "SCAN") && (name != "seen" || !strings.HasPrefix(step.says, "SCAN s ")) { // each series
				require.Contains(t, step.says, "delivery_due", name+": the few that wait")
			}
		}
		if strings.Contains(text, "fresh") {
			require.Contains(t, slices.Collect(maps.Values(few)), true, name)
		}
	}
}

// parameters is how many values a statement takes, numbered or not.
func parameters(text string) (n int) {
	seen := map[string]bool{}
	for _, p := range regexp.MustCompile(`\?\d*`).FindAllString(text, -1) {
		if p == "?" || !seen[p] {
			n++
		}
		seen[p] = true
	}
	return n
}
