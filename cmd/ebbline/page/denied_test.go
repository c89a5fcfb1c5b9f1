package page

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// A topic whose client may not publish there is shown with what to change and
// offered to nobody, neither on the page nor by the API, until a message of it is let in.
func TestATopicThatIsNotAllowedIsNotOffered(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.Open, o.PasswordHash = true, "" })
	b := c.browser()
	refused := func(reason ingest.Reason, at time.Time) {
		require.NoError(t, c.journal.Record(t.Context(), nil, []ingest.Refusal{
			{Topic: "attic/tilt", Reason: reason, Detail: `user "float" may not publish there: add mqtt.users[].publish`, Arrived: at},
		}))
	}
	const topics, none = "/api/v1/topics", `{"topics":[]}`
	refused(notAllowed, noon.Add(-time.Minute))
	require.JSONEq(t, none, c.get(b, topics).body)
	require.Contains(t, c.get(b, "/api/v1/refusals").body, "attic/tilt")
	body := c.get(b, "/sensors").body
	require.Contains(t, body, "attic/tilt")
	require.Contains(t, body, "may not publish there: add mqtt.users[].publish.")
	require.NotContains(t, body, "(empty)")
	require.NotContains(t, body, "Use it")
	require.Equal(t, http.StatusNotFound, c.get(b, "/sensors/use?topic=attic/tilt").status)

	refused(ingest.UnknownTopic, noon)
	require.Contains(t, c.get(b, "/sensors").body, "Use it")
	require.Contains(t, c.get(b, topics).body, "attic/tilt")

	c.deeds.known = append(c.deeds.known, KnownSensor{Sensor: ingest.Sensor{Name: "tilt", Topic: "attic/+"}, Source: FromPage})
	require.JSONEq(t, none, c.get(b, topics).body, "a sensor listens to it by now")
}
