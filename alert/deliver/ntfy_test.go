package deliver

import (
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Messages of one batch and stage replace each other on the phone; an urgent
// repeat is taken away first, so that it rings. The protocol is from memory of
// ntfy's published documentation.
func TestNtfyThreads(t *testing.T) {
	var mu sync.Mutex
	var calls []string
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		calls = append(calls, r.Method+" "+r.URL.Path+" "+r.Header.Get("X-Sequence-ID"))
		if r.Method == http.MethodDelete {
			w.WriteHeader(http.StatusMethodNotAllowed) // an older server
		}
	})
	c, err := NewNtfy(NtfyConfig{Name: "phone", URL: s.URL + "/topic", Token: "t0k"})
	require.NoError(t, err)
	n := note()
	thread := sequence(n.thread())
	n.N = 1
	require.NoError(t, c.Send(t.Context(), n))
	n.N, n.Alert.ID = 2, "pale-wheat-12/crash-now/2"
	require.NoError(t, c.Send(t.Context(), n))
	require.NoError(t, Try(t.Context(), c, base))
	require.Equal(t, []string{"POST /topic " + thread, "DELETE /topic/" + thread + " ", "POST /topic " + thread, "POST /topic "}, calls)
}

func TestSequenceIDsAreAsNtfyTakesThem(t *testing.T) {
	seen := map[string]string{}
	for _, thread := range []string{"a/crash-now", "a_crash-now", "ä/crash-now", "ö/crash-now", strings.Repeat("long-", 40) + "/crash-now", strings.Repeat("long-", 40) + "/crash-soon"} {
		id := sequence(thread)
		require.Regexp(t, `^[-_A-Za-z0-9]{1,64}$`, id)
		require.Empty(t, seen[id], "two threads stay apart: %s", thread)
		seen[id] = thread
		require.Equal(t, id, sequence(thread))
	}
}
