package page

import (
	"encoding/json"
	"fmt"
	"html"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/projection"
)

// A temperature that no beer can have is not used, and shown as that, with the
// reason, wherever it is shown; another thermometer's stands beside it.
func TestATemperatureThatIsNotUsedSaysSo(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	const why = "Not used: no beer ferments above 50.0 °C."
	text := func(path string) string {
		return html.UnescapeString(strings.ReplaceAll(c.get(b, path).body, "\u00a0", " "))
	}
	require.NotContains(t, text("/batch/pale-12"), "not used")
	c.temper("float-1", 85)
	for _, path := range []string{"/batch/pale-12", "/sensors"} {
		require.Contains(t, text(path), why, path)
	}
	require.Contains(t, text("/batch/pale-12"), "temperature that is not used: no beer ferments at it")
	require.Contains(t, text("/sensors"), "temperature 85.0 °C, not used")
	require.Contains(t, text("/batch/pale-12/package"), "No temperature of this beer is known", "what is not its is not said to be")
	var g struct {
		Hottest     float64
		Temperature []struct{ Bins [][]*float64 }
	}
	require.NoError(t, json.Unmarshal([]byte(c.api("GET", "/api/v1/batches/pale-12/series", "", c.token()).body), &g))
	require.InDelta(t, projection.Hottest, g.Hottest, 0)
	bins := g.Temperature[0].Bins
	require.InDelta(t, 85, *bins[len(bins)-1][3], 0, "scripts get what was read")
	unused := func() string { return c.api("GET", "/api/v1/sensors", "", c.token()).body }
	require.Contains(t, unused(), `"unused":"`+why+`"`)
	c.advance(time.Minute)
	c.temper("float-1", -5)
	const ice = "Not used: below −2.0 °C beer is ice."
	require.Contains(t, text("/batch/pale-12"), ice)
	require.Contains(t, text("/sensors"), ice+" Look whether it hangs in the cold air beside the beer")
	require.Contains(t, strings.ReplaceAll(unused(), "\u00a0", " "), `"unused":"`+ice+`"`)
	require.Contains(t, text("/batch/pale-12/package"), "No temperature of this beer is known", "nobody is told that it is cold")
	c.advance(time.Minute)
	c.temper("float-1", 18.4)
	require.NotContains(t, text("/sensors"), ice)
	require.NotContains(t, unused(), `"unused":"`)
}

// What a sensor with wildcards has made is listed with what it last gave, the
// newest first and not without end.
func TestSensorsOfAWildcardAreListed(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) {
		all := o.Sensors
		o.Sensors = func() []KnownSensor {
			return append(all(), KnownSensor{Sensor: ingest.Sensor{Name: "many", Topic: "cellar/+/data"}, Source: FromConfig})
		}
	})
	b := c.loggedIn()
	require.Contains(t, c.get(b, "/sensors").body, "Nothing heard yet.")
	waiting := pale()
	waiting.ID, waiting.Name, waiting.Sensors = "wheat-1", "Quarry wheat 1", []string{"many/f03", "many/f99"}
	c.start(waiting)
	var all []ingest.Reading
	for i := range mostMade + 3 {
		at := noon.Add(-time.Duration(i) * time.Minute)
		all = append(all, ingest.Reading{Sensor: fmt.Sprintf("many/f%02d", i), Quantity: ingest.Gravity, Time: at, Arrived: at, Value: 1.011, DeviceTime: true})
	}
	require.NoError(t, c.journal.Record(t.Context(), all, nil))
	_, card, _ := strings.Cut(c.get(b, "/sensors").body, `<h3 class="name">many</h3>`)
	card, _, _ = strings.Cut(card, "</article>")
	require.Equal(t, mostMade, strings.Count(card, `<h4 class="name">many/f`))
	require.Less(t, strings.Index(card, "many/f00"), strings.Index(card, "many/f01"))
	require.Contains(t, strings.ReplaceAll(card, "\u00a0", " "), "gravity 1.0110 SG")
	require.Contains(t, card, "4 more, heard longer ago or never.") // f20 to f22, and the one that the batch waits for
	require.Contains(t, card, "In Quarry wheat 1: change")
	require.NotContains(t, c.get(b, "/sensors").body, "Nothing defines it any more")
}
