package config

import (
	"fmt"
	"sort"
	"strings"
)

// Error is one fault in a file and where it stands.
type Error struct {
	File string
	// Line and Column count from 1; 0 where the fault has no place, such as a
	// file that cannot be read.
	Line, Column int
	// Text says what is wrong and what is allowed.
	Text string
}

func (e *Error) Error() string {
	if e.Line == 0 {
		return e.File + ": " + e.Text
	}
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// Errors are all faults of a file, by place; one line each.
type Errors []*Error

func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single faults to errors.As.
func (e Errors) Unwrap() []error {
	all := make([]error, len(e))
	for i, one := range e {
		all[i] = one
	}
	return all
}

func (e Errors) sorted() Errors {
	sort.SliceStable(e, func(i, j int) bool {
		if e[i].Line != e[j].Line {
			return e[i].Line < e[j].Line
		}
		return e[i].Column < e[j].Column
	})
	return e
}

// nearest is the allowed word that a misspelt one probably meant, or "".
func nearest(word string, allowed []string) string {
	for _, a := range allowed {
		if len(word) >= 3 && strings.HasPrefix(a, strings.ToLower(word)) {
			return a
		}
	}
	best, distance := "", 1+len(word)/3
	for _, a := range allowed {
		if d := editDistance(strings.ToLower(word), strings.ToLower(a)); d <= distance {
			best, distance = a, d-1
		}
	}
	return best
}

// editDistance counts insertions, deletions, replacements and swaps of
// neighbours that make b of a (optimal string alignment).
func editDistance(a, b string) int {
	const longest = 64 // keys are short; a longer word is nobody's typing error
	if len(a) > longest || len(b) > longest {
		return longest
	}
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range len(a) {
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			row[j+1] = min(last[j]+cost, last[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
