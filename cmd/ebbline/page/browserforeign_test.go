package page

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// foreign is a cellar in which every name, topic, payload and note is the same text.
func foreign(t *testing.T, text string) (c *cellar, batch string) {
	t.Helper()
	c = newCellar(t, nil)
	p := pale()
	p.ID, p.Name, p.Sensors = `a"b<i>c`, text, []string{text}
	c.start(p)
	c.record(p, noon)
	a := urgent(p.ID, "tok-evil")
	a.Title, a.Message, a.Severity = text, text, `info" onmouseover="x`
	c.say(p, verdict{Text: text}, time.Hour, a)
	require.NoError(t, c.deeds.Note(t.Context(), p.ID, Note{Time: noon, Text: text}))
	require.NoError(t, c.deeds.SetSensors(t.Context(), p.ID, Swap{Time: noon, Sensors: []string{text + "2"}}))
	q := pale()
	q.ID, q.Name, q.Sensors = "plain", text, []string{"float-77"}
	c.start(q)
	c.say(q, verdict{Text: "x"}, time.Hour)
	c.deeds.channels = []ChannelState{{Name: text, LastError: text, LastFailure: noon}}
	c.deeds.known = append(c.deeds.known, KnownSensor{Source: FromPage, Unused: text, Sensor: ingest.Sensor{Name: text, Topic: "shed/<b>x", Readings: []ingest.ReadingSpec{{Quantity: ingest.Tilt}}}})
	require.NoError(t, c.journal.Record(t.Context(), nil, []ingest.Refusal{
		{Topic: text, Reason: ingest.UnknownTopic, Payload: []byte(`{"\"><img src=x onerror=\"document.title='owned'\">": 1.0121}`), Arrived: noon},
		{Topic: text + "2", Sensor: text, Reason: ingest.Reason(text), Detail: text, Payload: []byte(text), Arrived: noon},
	}))
	return c, p.ID
}

// Names of batches, sensors, topics and channels, payloads and notes may hold
// anything: they are shown, never run, and a tap on them leads where it says.
func TestForeignTextIsInert(t *testing.T) {
	t.Parallel()
	const evil = `"><img src=x onerror="document.title='owned'"><script>document.title='owned'</script>&{{.}}?${1}`
	c, id := foreign(t, evil)
	batch := "/batch/" + escapePath(id)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	for _, path := range []string{
		"/", batch, batch + "/sample", batch + "/record", batch + "/sensors", batch + "/report", batch + "/export", "/compare?a=" + escape(id) + "&b=plain",
		"/a/tok-evil", "/sensors", "/phone", "/new", "/sensors/calibrate?sensor=" + escape(evil), "/sensors/use?topic=" + escape(evil),
	} {
		b.visit(t, path)
		if path == batch {
			b.until(t, ready)
		}
		require.Contains(t, eval[string](t, b, `document.body.textContent`), `onerror="document.title='owned'"`, path)
		require.NotEqual(t, "owned", eval[string](t, b, `document.title`), path)
		require.Zero(t, eval[int](t, b, `document.querySelectorAll("img,i.evil,[onerror],[onmouseover],body script").length`), path)
		require.Empty(t, eval[[]string](t, b, tooWide), path)
	}
	b.visit(t, "/sensors")
	b.press(t, `a[href^="/sensors/use?topic=%22"]`)
	b.says(t, "gravity 1.0121 SG")
	require.Empty(t, b.faults(), "nothing was even tried")
}
