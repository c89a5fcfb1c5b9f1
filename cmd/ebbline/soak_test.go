package main

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestOneRoundOfTheSoak runs the shortest soak there is as a process of its own:
// four batches from pitch to keg, every account closed.
func TestOneRoundOfTheSoak(t *testing.T) {
	t.Parallel()
	out, err := quickly(t, "soak", "--for", "1ms", "--speed", "1000000").CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Contains(t, string(out), "no growth, nothing missing, nothing doubled")
}

// Law: each kind of growth is told, and what stays within its bound is not.
func TestGrowthIsTold(t *testing.T) {
	first := figures{goroutines: 30, heap: 20, resident: 60, readings: 1000, fileBytes: 2_500_000, bytesReading: 2500}
	require.NoError(t, first.grew(first))
	require.NoError(t, figures{goroutines: 40, heap: 36, resident: 124, readings: 2000, fileBytes: 6_250_000}.grew(first))
	for want, f := range map[string]figures{
		"goroutines grew from 30 to 41":                                {goroutines: 41},
		"the heap grew from 20.0 to 36.1 MB":                           {heap: 36.1},
		"the resident memory grew from 60.0 to 124.1 MB":               {resident: 124.1},
		"the record takes 6.3 MB, not 5.0 as 2000 readings let expect": {readings: 2000, fileBytes: 6_260_000},
	} {
		require.EqualError(t, f.grew(first), want)
	}
}

// Law: what came twice or not at all is told.
func TestTheBooksSeeWhatIsMissingOrDoubled(t *testing.T) {
	d := stillDaemon(t)
	b, err := openBooks(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.close()) })
	ring := func() {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, b.phone, http.NoBody)
		require.NoError(t, err)
		req.Header.Set("Ebbline-Delivery", "round-1-tub-1/crash-now/1#1")
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		resp.Body.Close()
	}
	ring()
	require.NoError(t, b.settle(t.Context(), d, nil))
	ring()
	require.ErrorContains(t, b.settle(t.Context(), d, nil), "rang 2 times for round-1-tub-1/crash-now/1#1")
	b.rings = map[string]int{}
	require.NoError(t, b.published([]byte(`{"g":1.0101,"t":20.5,"ts":"2026-03-06T18:00:00Z"}`)))
	require.ErrorContains(t, b.settle(t.Context(), d, nil), "2 values were acknowledged and 0 are in the journal")
	b.readings = 0

	tub := []*vat{{name: "Tub", id: "tub"}}
	require.ErrorContains(t, b.settle(t.Context(), d, tub), `the state of Tub stays ""`)
	b.heard(stateTopic("tub"), []byte(`{"stage":"packaged"}`))
	require.NoError(t, b.settle(t.Context(), d, tub))
	b.heard(soakSwitch(0), []byte("on"))
	require.ErrorContains(t, b.settle(t.Context(), d, tub), "1 commands for 0 crash-now")
}
