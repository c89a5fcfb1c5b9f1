package page

import (
	"html"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
)

// template is what the form for a new batch holds when it is fresh.
func (c *cellar) template() string {
	c.Helper()
	_, rest, ok := strings.Cut(c.get(c.loggedIn(), "/new/file").body, `class="code">`)
	require.True(c, ok)
	text, _, ok := strings.Cut(rest, "</textarea>")
	require.True(c, ok)
	return html.UnescapeString(text)
}

// The template starts a batch as it stands, on a daemon that knows no sensor:
// the parser of batch files reads it without an error or a warning.
func TestTheTemplateWorksAsItStands(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.Location = time.FixedZone("west", -5*3600) })
	text := c.template()
	f, err := config.ParseBatch("batch file", []byte(text), config.Names(nil))
	require.NoError(t, err, text)
	require.Empty(t, f.Warnings)
	require.Equal(t, noon, f.Batch.PitchedAt.UTC(), "pitched now")
	require.Equal(t, []string{"float-1"}, f.Batch.Sensors)
	require.Len(t, f.Sensors, 1)
	require.Len(t, f.Sensors[0].Readings, 2)
	require.Equal(t, 9, strings.Count(text, "change"))
	for l := range strings.SplitSeq(text, "\n") {
		require.LessOrEqual(t, len(l), 40, "fits a phone: %s", l)
	}
}

// A sensor that a running batch has cannot be claimed again.
func TestTheTemplateTakesAFreeSensor(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	f, err := config.ParseBatch("batch file", []byte(c.template()), config.Names(nil))
	require.NoError(t, err)
	require.Equal(t, []string{"float-3"}, f.Batch.Sensors, "float-1 and float-2 are in use, float-3 is free again")
	require.Equal(t, "Harbour pale 4", f.Batch.Name)
}
