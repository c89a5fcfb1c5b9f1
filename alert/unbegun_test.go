package alert

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// No fermentation after 36 hours, and a crash that may be due in the night: the one
// told to pitch fresh yeast, the other to make room in the cold, neither of the other.
func TestNotStartedAndCrashSoonSayTheSame(t *testing.T) {
	b := brew()
	o, err := Options{Quiet: &Quiet{From: 22 * 60, To: 6*60 + 30}}.filled()
	require.NoError(t, err)
	e, p := belief0(0.4, 0.3, 59, 20, 80, 0.95)
	v := &view{
		now: hour(51), batch: &b, opts: &o, book: newBook(), estimate: e, projection: p, heard: hearing{"float-1": {Last: hour(51)}},
		belief: &scriptedIn{scripted: scripted{At: hour(51), script: func(time.Time, *scripted) (projection.Estimate, projection.Projection) { return e, p }}},
	}
	v.book.Entries[keyOf(NotStarted, "")] = &entry{Open: true}
	_, alone := v.sayNotStarted()
	require.NotContains(t, alone, "crash", "of a crash that is not spoken of nothing is said")
	v.book.Entries[keyOf(CrashSoon, "12h0m0s")] = &entry{Open: true}

	title, soon := v.saySoon()
	require.Contains(t, title, ", if it ferments: ")
	require.True(t, strings.HasPrefix(soon, "No fermentation is seen yet; this is for the case that there is one. Make room in the cold: the crash is likely between "), soon)
	title, moved := v.sayMoved(hour(70))
	require.Contains(t, title, ", if it ferments: ")
	require.True(t, strings.HasPrefix(moved, "No fermentation is seen yet; "), moved)
	title, bed := v.sayEvening(v.opts.Quiet.around(v.now, v.opts.Location))
	require.Equal(t, "The crash may fall in the night, if it ferments: "+b.Name, title)
	require.True(t, strings.HasPrefix(bed, "No fermentation is seen yet; "), bed)

	_, graver := v.sayNotStarted()
	likely := "If the sample shows that it ferments, enter it and make room in the cold: the crash is then likely between "
	require.Contains(t, graver, likely)
	page := Sentence(b, v.state())
	require.True(t, strings.HasPrefix(page, "No fermentation yet, "), page)
	require.Contains(t, page, likely)
	for _, said := range []string{soon, moved, bed, graver, page} {
		readable(t, said)
	}

	v.book.Entries[keyOf(NotStarted, "")].Open = false
	title, soon = v.saySoon()
	require.NotContains(t, title+soon, "ferment")
}
