package main

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/page"
)

// A batch is begun a day and a half after its pitch, and nothing of it has been
// heard yet. While its first reading is waited for nothing is believed, and nobody
// is shown the pitch's 0.00 % as if it were of now. Two minutes later it is taken to
// have fermented as is usual.
func TestNothingIsBelievedBeforeTheFirstReading(t *testing.T) {
	t.Parallel()
	w := newWatchroom(t, filepath.Join(captures, "plain-02", "batch.yaml"), mostAwake)
	id, now := w.file.Batch.ID, w.file.Batch.PitchedAt.Add(36*time.Hour)
	s, err := page.New(page.Options{
		Journal: w.journal, Actions: &daemon{}, Now: w.clock.Now, Open: true, Describe: describe, Written: written, CatchingUp: w.catchingUp,
	})
	require.NoError(t, err)
	defer s.Close()
	get := func(path string) string {
		r, answer := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil), httptest.NewRecorder()
		s.Handler().ServeHTTP(answer, r)
		require.Equal(t, http.StatusOK, answer.Code, answer.Body)
		return answer.Body.String()
	}
	type shown struct {
		Sentence             string
		Estimate, Projection map[string]any
	}
	api := func() (b shown) {
		require.NoError(t, json.Unmarshal([]byte(get("/api/v1/batches/"+id)), &b))
		return b
	}
	state := func() (doc stateDoc) {
		b, err := w.journal.Batch(t.Context(), id)
		require.NoError(t, err)
		body, known, err := stateOf(t.Context(), w.journal, b, stageFermenting)
		require.NoError(t, err)
		require.True(t, known)
		require.NoError(t, json.Unmarshal(body, &doc))
		return doc
	}

	w.clock.set(now)
	b, err := w.journal.Batch(t.Context(), id)
	require.NoError(t, err)
	require.NoError(t, w.open(t.Context(), b), "begun now")
	w.at(now)
	require.Contains(t, api().Sentence, "Waiting for the first reading of this batch.")
	for _, path := range []string{"/", "/batch/" + id} {
		require.Contains(t, get(path), "Waiting for the first reading", path)
		for _, of := range []string{"±\u00a00", "± 0", "Worked out", "projection below", "ends below"} {
			require.NotContains(t, get(path), of, path)
		}
	}
	require.Nil(t, api().Estimate)
	require.Nil(t, api().Projection)
	require.Equal(t, stateFigures{}, state().stateFigures)
	require.Equal(t, stateOutlook{}, state().stateOutlook)
	require.Nil(t, w.states()[0].state.Estimate, "what Prometheus reads")
	require.Nil(t, w.states()[0].state.Projection)

	w.at(now.Add(firstIdle + time.Minute))
	require.NotContains(t, api().Sentence, "Waiting for")
	require.Contains(t, get("/"), "ABV now")
	require.Greater(t, api().Estimate["abv_sd"], 0.05, "the usual course is known badly")
	require.NotNil(t, api().Projection)
	require.Greater(t, *state().ABVSD, 0.05)
	require.NotNil(t, w.states()[0].state.Estimate)
}
