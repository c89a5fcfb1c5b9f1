package alert

import (
	"regexp"
	"strings"
	"time"
)

// ofThatDay finds moments in an alert's words that are told from the day of saying.
var ofThatDay = regexp.MustCompile(`\b(\d\d:\d\d) (today|yesterday|tomorrow, [A-Z][a-z]{2})`)

// ByDate puts dates in place of "today" and the like in what was said on the day of
// said: whoever reads it on another day takes them for that one's.
func ByDate(text string, said time.Time, loc *time.Location) string {
	return ofThatDay.ReplaceAllStringFunc(text, func(moment string) string {
		at, day, _ := strings.Cut(moment, " ")
		from := 0
		switch {
		case day == "yesterday":
			from = -1
		case day != "today":
			from = 1
		}
		return at + " on " + said.In(loc).AddDate(0, 0, from).Format("Mon 2 Jan")
	})
}

// ReadAt is ByDate if now is another day than that of said.
func ReadAt(text string, said, now time.Time, loc *time.Location) string {
	if dayOf(said.In(loc)) == dayOf(now.In(loc)) {
		return text
	}
	return ByDate(text, said, loc)
}
