package deliver

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// Words of yesterday that are told today have dates: their "today" is no longer one,
// by the brewer's clock.
func TestWordsOfAnotherDayAreToldWithDates(t *testing.T) {
	east := time.FixedZone("east", 3*60*60)
	said := time.Date(2026, 3, 4, 19, 0, 0, 0, time.UTC)
	n := Note{Alert: journal.Alert{Title: "Crash by 21:40 today", Message: "Started at 21:48 today, due by 03:10 tomorrow, Thu.", Raised: said}}
	old := n.dated(said.Add(23*time.Hour), east)
	require.Equal(t, "Crash by 21:40 on Wed 4 Mar", old.Alert.Title)
	require.Equal(t, "This was said 23 hours ago; nothing newer is known.\n\nStarted at 21:48 on Wed 4 Mar, due by 03:10 on Thu 5 Mar.", old.Alert.Message)
	require.Contains(t, n.dated(said.Add(time.Hour), east).Alert.Message, "21:48 today", "the same day")
	require.Contains(t, n.dated(said.Add(2*time.Hour+time.Minute), east).Alert.Message, "21:48 on Wed 4 Mar", "past midnight there")
}
