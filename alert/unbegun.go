package alert

import "fmt"

// Where no fermentation is seen, and its crash may come all the same, for the float
// may hang and what is believed allows for that, each of the two alerts says what the
// other does: that nothing ferments is the graver and stands first on the page, and
// the crash is told of under that condition.

// ifItFerments says in a not-started what holds if the float deceives.
func (s *State) ifItFerments(w words) string {
	by := s.Projection.CrashBy
	if !s.is(CrashSoon) || by == nil || !by.After(w.now) {
		return ""
	}
	return fmt.Sprintf("If the sample shows that it ferments, enter it and make room in the cold: the crash is then likely %s; you will be told.",
		w.likely(*by, s.Projection.CrashBySD))
}

// unseen says in a crash-soon that it holds only if the beer ferments, where that is
// not seen.
func (v *view) unseen() string {
	if !v.book.open(NotStarted) {
		return ""
	}
	return "No fermentation is seen yet; this is for the case that there is one."
}

// soonTitle is the title of a crash-soon.
func (v *view) soonTitle(s string) string {
	if v.book.open(NotStarted) {
		s += ", if it ferments"
	}
	return v.title(s)
}
