package broker

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSubscriberConfigIsChecked(t *testing.T) {
	good := SubscriberConfig{URLs: []string{"tcp://127.0.0.1"}, ClientID: "a"}
	for name, c := range map[string]struct {
		change func(*SubscriberConfig)
		want   string
	}{
		"no address":          {func(c *SubscriberConfig) { c.URLs = nil }, "no broker address"},
		"unknown scheme":      {func(c *SubscriberConfig) { c.URLs = []string{"http://127.0.0.1"} }, "scheme must be"},
		"no host":             {func(c *SubscriberConfig) { c.URLs = []string{"tcp://:1883"} }, "no host"},
		"password not leaked": {func(c *SubscriberConfig) { c.URLs = []string{"ftp://u:secret@h"} }, "ftp://u:xxxxx@h"},
		"unreadable address":  {func(c *SubscriberConfig) { c.URLs = []string{"tcp://u:secret@h:x"} }, "cannot be read"},
		"no client id":        {func(c *SubscriberConfig) { c.ClientID = "" }, "no client id"},
		"long client id":      {func(c *SubscriberConfig) { c.ClientID = strings.Repeat("x", 70000) }, "70000 bytes"},
		"bad filter":          {func(c *SubscriberConfig) { c.Filters = []string{"a/#/b"} }, "# stands alone"},
		"bad shared filter":   {func(c *SubscriberConfig) { c.Filters = []string{"$share/x"} }, "$share/GROUP/FILTER"},
		"short keep-alive":    {func(c *SubscriberConfig) { c.KeepAlive = time.Millisecond }, "keep-alive"},
		"slow reconnect":      {func(c *SubscriberConfig) { c.MaxReconnectInterval = time.Minute }, "at most 10s"},
		"long handler":        {func(c *SubscriberConfig) { c.HandlerTimeout = time.Minute }, "below keep-alive"},
		"ping time-out":       {func(c *SubscriberConfig) { c.PingTimeout = -1 }, "above zero"},
		"concurrency":         {func(c *SubscriberConfig) { c.Concurrency = -1 }, "concurrency"},
		"payload":             {func(c *SubscriberConfig) { c.MaxPayload = -1 }, "not negative"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good
			c.change(&cfg)
			_, err := NewSubscriber(cfg, (&recorder{}).handle)
			require.ErrorContains(t, err, c.want)
			require.NotContains(t, err.Error(), "secret")
		})
	}
	_, err := NewSubscriber(good, nil)
	require.ErrorContains(t, err, "no handler")
}

func TestEmbeddedConfigIsChecked(t *testing.T) {
	anna := User{Name: "anna", Password: "apfel"}
	for name, c := range map[string]struct {
		cfg  EmbeddedConfig
		want string // empty: accepted
	}{
		"nothing given":              {EmbeddedConfig{}, ""},
		"loopback v6":                {EmbeddedConfig{Listen: "[::1]:0"}, ""},
		"localhost":                  {EmbeddedConfig{Listen: "localhost:0"}, ""},
		"everywhere with users":      {EmbeddedConfig{Listen: "0.0.0.0:0", Users: []User{anna}}, ""},
		"everywhere without users":   {EmbeddedConfig{Listen: "0.0.0.0:1883"}, "name users with passwords, or listen on 127.0.0.1"},
		"every interface, no users":  {EmbeddedConfig{Listen: ":1883"}, "without users"},
		"a name, no users":           {EmbeddedConfig{Listen: "cellar.example:1883"}, "without users"},
		"a network address no users": {EmbeddedConfig{Listen: "192.0.2.7:1883"}, "without users"},
		"no port":                    {EmbeddedConfig{Listen: "127.0.0.1"}, "write it as 127.0.0.1:1883"},
		"user without name":          {EmbeddedConfig{Users: []User{{Password: "x"}}}, "user 1 has no name"},
		"user without password":      {EmbeddedConfig{Users: []User{{Name: "anna"}}}, "has no password"},
		"user twice":                 {EmbeddedConfig{Users: []User{anna, anna}}, "named twice"},
		"bad topic":                  {EmbeddedConfig{Users: []User{{Name: "anna", Password: "x", Publish: []string{"a#"}}}}, "stands alone"},
		"negative limit":             {EmbeddedConfig{MaxClients: -1}, "negative"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := NewEmbedded(c.cfg, (&recorder{}).handle)
			if c.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.want)
		})
	}
	_, err := NewEmbedded(EmbeddedConfig{}, nil)
	require.ErrorContains(t, err, "no handler")
}

// Rights of a user, and matching, by the rules and examples of MQTT 3.1.1 §4.7.
func TestCovers(t *testing.T) {
	for _, c := range []struct {
		allowed, filter string
		want            bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/broker", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/broker", true},
		// a filter asked for must lie wholly inside
		{"cellar/#", "cellar/+/data", true},
		{"cellar/+", "cellar/#", false},
		{"cellar/float-1", "cellar/+", false},
		{"cellar/+/x", "cellar/+/x", true},
		{"#", "#", true},
		{"cellar/#", "#", false},
		{"cellar/#", "$share/group/cellar/float-1", true},
		{"cellar/#", "$share/group/loft/float-1", false},
		{"cellar", "cellar", true},
		{"cellar", "cellar/x", false},
		{"a/b/c", "a/b", false},
	} {
		assert.Equal(t, c.want, covers(c.allowed, c.filter), "%s covers %s", c.allowed, c.filter)
	}
}
