package ingest

import (
	"fmt"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// heap is what is in use after a collection, bytes.
func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// A hundred thousand topics under a wildcard make a bounded number of sensors;
// those that are known, and sensors without a wildcard, go on.
func TestAFloodOfTopicsMakesABoundedNumberOfSensors(t *testing.T) {
	warm := at20()
	warm.Name, warm.Topic = "all", "attic/+"
	m := mustCompile(t, float(), warm)
	before := heap()
	taken, refused := 0, 0
	for i := range 100_000 {
		readings, refusals := m.Decode(message(fmt.Sprint("attic/", i), `{"g":1.0124,"t":18.15}`))
		switch {
		case len(readings) == 2 && len(refusals) == 0:
			taken++
		case len(readings) == 0 && len(refusals) == 1 && refusals[0].Reason == TooManySensors && strings.Contains(refusals[0].Detail, `"attic/+"`):
			refused++
		}
	}
	t.Logf("100,000 topics: %d sensors, %d refused, %d KiB kept", taken, refused, (heap()-before)>>10)
	require.Equal(t, maxMade, taken)
	require.Equal(t, 100_000-maxMade, refused)
	require.Len(t, m.made, maxMade)
	require.Len(t, m.last, maxMade, "a full memory of temperatures is searched through at each message")

	next := mustCompile(t, float(), warm)
	next.Adopt(m)
	for _, m := range []*Mapper{m, next} {
		readings, _ := m.Decode(message("cellar/float-1", `{"g":1.0124,"t":18.15}`))
		require.Len(t, readings, 2, "a neighbour")
		readings, _ = m.Decode(message("attic/7", `{"g":1.0124,"t":18.15}`))
		require.Len(t, readings, 2, "one that was there before")
		_, refusals := m.Decode(message("attic/new", `{"g":1.0124,"t":18.15}`))
		require.Equal(t, []Reason{TooManySensors}, reasons(refusals))
	}
}

// A topic that gives no reading takes no place of a sensor that does.
func TestJunkUnderAWildcardTakesNoPlace(t *testing.T) {
	m := mustCompile(t, Sensor{Name: "all", Topic: "attic/#", Readings: []ReadingSpec{{Quantity: Temperature, Unit: "Cel"}}})
	for i := range 1000 {
		m.Decode(message(fmt.Sprint("attic/", i), "offline"))
	}
	require.Empty(t, m.made)
	_, _ = m.LastKnown(message("attic/kept", "18.15"))
	require.Empty(t, m.made, "nor does what a broker replays")
}

// Law: what one message makes us keep is bounded by its size, however many
// records it holds: they share what is kept of the payload.
func TestAPackOfNothingCostsNoMoreThanItsSize(t *testing.T) {
	m := mustCompile(t, senmlFloat())
	s := senmlFloat()
	doc := `[{"bn":"` + s.Readings[0].Record + `"}` + strings.Repeat(",{}", (MaxPayload-100)/3) + "]"
	_, refusals := m.Decode(message(s.Topic, doc))
	require.Greater(t, len(refusals), 20_000)
	for _, r := range refusals[1:] {
		require.Same(t, &refusals[0].Payload[0], &r.Payload[0])
	}
}
