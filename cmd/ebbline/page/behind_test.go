package page

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// While a batch's watch takes in what lies in the past, nothing that it says is
// given as of now: the page says up to when it has come.
func TestWhatIsOfThePastIsNotGivenAsNow(t *testing.T) {
	t.Parallel()
	up := false
	c := whole(t, func(o *Options) { o.CatchingUp = func(batch string) bool { return up && batch == "pale-12" } })
	b, token := c.loggedIn(), c.token()
	text := func(path string) string { return strings.ReplaceAll(c.get(b, path).body, "\u00a0", " ") }
	c.advance(47 * time.Hour)
	require.NotContains(t, text("/batch/pale-12"), "Catching up")
	up = true
	for _, path := range []string{"/batch/pale-12", "/", "/a/tok-urgent"} {
		require.Contains(t, text(path), "Catching up: readings of before are being taken in, and have come to Thu 18:30.", path)
		require.NotContains(t, text(path), "Start the crash by", path)
	}
	page := text("/batch/pale-12")
	require.Contains(t, page, "as of Thu 18:30")
	require.NotContains(t, page, "Left alone")
	require.NotContains(t, page, "Worked out")
	require.Contains(t, text("/"), "% ABV Thu 18:30")
	require.Contains(t, c.api(http.MethodGet, "/api/v1/batches/pale-12", "", token).body, "Catching up")
	require.NotContains(t, text("/batch/amber-3"), "Catching up")
}
