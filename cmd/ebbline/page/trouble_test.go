package page

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTroubleIsParted(t *testing.T) {
	t.Parallel()
	for name, one := range map[string]struct {
		item HealthItem
		want trouble
	}{
		"a sentence": {
			HealthItem{Code: "broker", Text: "The broker at 127.0.0.1:1883 cannot be reached."},
			trouble{Lines: []string{"The broker at 127.0.0.1:1883 cannot be reached."}},
		},
		"two faults": {
			HealthItem{Code: "batch-file", Text: "/srv/a: b/pale 1.yaml:4:21: original_gravity: 1132\n/srv/a: b/pale 1.yaml:9:3: risk: 2\n"},
			trouble{Head: "Batch file pale 1.yaml cannot be used", Lines: []string{"line 4, column 21: original_gravity: 1132", "line 9, column 3: risk: 2"}},
		},
		"no place": {
			HealthItem{Code: "batch-file", Text: "batches/amber.yml: permission denied"},
			trouble{Head: "Batch file amber.yml cannot be used", Lines: []string{"permission denied"}},
		},
		"no file": {
			HealthItem{Code: "batch-file", Text: "sensors: float-1 belongs to batch pale-12"},
			trouble{Head: "A batch file cannot be used", Lines: []string{"sensors: float-1 belongs to batch pale-12"}},
		},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, one.want, toldTrouble(one.item)) })
	}
}

// A batch file in error gets a heading and a line for each fault; having no
// phone set up is a note, and ebbline is well all the same.
func TestWhatNeedsSomeoneAndWhatDoesNot(t *testing.T) {
	t.Parallel()
	phone := HealthItem{Code: "channel", Text: "No phone is set up: alerts are only on this page. Add notify to the configuration."}
	items := []HealthItem{phone}
	c := whole(t, func(o *Options) { o.Health = func() []HealthItem { return items } })
	body := c.get(c.loggedIn(), "/").body
	require.Contains(t, body, `<p class="faint">No phone is set up`)
	require.NotContains(t, body, "Something needs you")
	require.Contains(t, body, "ebbline is well")

	items = append(items, HealthItem{Code: "batch-file", Text: "x/pale.yaml:1:1: one\nx/pale.yaml:2:1: two"},
		HealthItem{Code: "channel", Text: "cellar phone does not take messages: 410"})
	r := c.get(c.loggedIn(), "/")
	require.Equal(t, http.StatusOK, r.status)
	_, card, ok := strings.Cut(r.body, "Something needs you")
	require.True(t, ok)
	card, _, _ = strings.Cut(card, "</section>")
	require.Contains(t, card, "<h3>Batch file pale.yaml cannot be used</h3>")
	require.Contains(t, card, "<li>line 1, column 1: one</li><li>line 2, column 1: two</li>")
	require.Contains(t, card, "cellar phone does not take messages", "a channel that fails is trouble")
	require.NotContains(t, card, "No phone")
	_, health, ok := strings.Cut(r.body, `<details class="health">`)
	require.True(t, ok)
	require.Contains(t, health, "Batch file pale.yaml cannot be used: its faults stand at the top of this page.")
	require.Equal(t, 1, strings.Count(r.body, "column 1: two")+strings.Count(r.body, ":2:1: two"), "each fault stands once")
}
