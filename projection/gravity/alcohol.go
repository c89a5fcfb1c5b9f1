package gravity

import "fmt"

// Rule names a published way to get ABV from two gravities.
type Rule string

// The rules; see facts beside each formula.
const (
	Balling   Rule = "balling"
	HMRC      Rule = "hmrc"
	Linear    Rule = "linear"
	Nonlinear Rule = "nonlinear"
	Cautious  Rule = "cautious"
)

// Ceiling is the alcohol that the finished beer must not exceed.
type Ceiling struct {
	Limit ABV
	// Strict means "less than Limit"; otherwise "not more than Limit".
	Strict bool
}

// String renders "0.5" or "< 0.5", as a batch file writes it.
func (c Ceiling) String() string {
	if c.Strict {
		return fmt.Sprintf("< %g", float64(c.Limit))
	}
	return fmt.Sprintf("%g", float64(c.Limit))
}

// Holds reports whether a beer of strength a keeps the ceiling.
func (c Ceiling) Holds(a ABV) bool {
	if c.Strict {
		return a < c.Limit
	}
	return a <= c.Limit
}
