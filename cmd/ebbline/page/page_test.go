package page

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEveryPageIsShown(t *testing.T) {
	c := whole(t, nil)
	b := c.loggedIn()
	for path, words := range map[string][]string{
		"/":                      {"Lantern pale 12", "Start the crash by 18:55", "Weir amber 3", "Cellar stout 2", "ebbline is well"},
		"/batch/pale-12":         {"Start the crash by 18:55", "equally likely", "I have seen it", "Attenuation", "pH 4.12", "pH above 4.0"},
		"/batch/amber-3":         {"Nothing to do before Friday"},
		"/batch/stout-2":         {"Packaged", "Kegged"},
		"/batch/pale-12/sample":  {"Gravity, SG"},
		"/batch/pale-12/crash":   {"The crash has started"},
		"/batch/pale-12/package": {"Bottles", "Not for people who must avoid alcohol"},
		"/batch/pale-12/note":    {"Keep the note"},
		"/new":                   {"original_gravity"},
		"/sensors":               {"attic/unknown", "not-json"},
		"/access":                {"Make a token"},
		"/a/tok-urgent":          {"Start the crash now", "Remind me in an hour", "The crash has started"},
	} {
		r := c.get(b, path)
		require.Equal(t, http.StatusOK, r.status, path)
		for _, w := range words {
			require.Contains(t, r.body, w, path)
		}
	}
}
