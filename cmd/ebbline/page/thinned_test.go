package page

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// Law: whoever looks at a graph is told which of its readings were thinned since,
// and only if some were.
func TestThinnedReadingsAreTold(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	b := pale()
	c.start(b)
	end := noon.Add(-2 * time.Hour)
	var all []ingest.Reading
	for at := b.PitchedAt; at.Before(noon); at = at.Add(time.Minute) {
		all = append(all, ingest.Reading{Sensor: b.Sensors[0], Quantity: ingest.Gravity, Time: at, Arrived: at, Value: curve(at.Sub(b.PitchedAt).Hours()), DeviceTime: true})
	}
	require.NoError(t, c.journal.Record(t.Context(), all, nil))
	rare := pale()
	rare.ID, rare.Name, rare.Sensors = "amber-3", "Weir amber 3", []string{"float-2"}
	c.start(rare)
	c.record(rare, noon) // a reading each quarter of an hour: none is left out
	for _, id := range []string{b.ID, rare.ID} {
		require.NoError(t, c.deeds.Packaged(t.Context(), id, Package{Time: end, Into: "keg"}))
	}
	thin := func(before time.Time) {
		for more := true; more; {
			done, err := c.journal.Thin(t.Context(), journal.Thinning{Before: before, UpTo: math.MaxInt64})
			require.NoError(t, err)
			more = done.More
		}
	}
	const kept = " are thinned: of each quarter of an hour the first, last, lowest and highest are kept."
	user := c.loggedIn()
	told := func(id, want string) {
		t.Helper()
		for _, path := range []string{"/batch/" + id, "/batch/" + id + "/report"} {
			if body := c.get(user, path).body; want == "" {
				require.NotContains(t, body, "thinned")
			} else {
				require.Contains(t, body, want+kept)
			}
		}
	}
	told(b.ID, "")
	half := b.PitchedAt.Add(24 * time.Hour).Truncate(time.Hour)
	thin(half)
	told(b.ID, "Readings before "+half.In(c.server.loc).Format("2 January 2006 15:04"))
	told(rare.ID, "")
	tab := c.open(t, chromium(t))
	for _, path := range []string{"/batch/pale-12", "/batch/pale-12/report"} {
		tab.visit(t, path)
		tab.looksRight(t, "thinned_"+shotName(path))
	}
	thin(end.Add(time.Hour))
	told(b.ID, "The readings")
	told(rare.ID, "")
}
