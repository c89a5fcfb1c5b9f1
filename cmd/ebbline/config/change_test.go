package config

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Law: what a reload cannot take up is named, and the running daemon goes on by
// what it began with; all else is taken up.
func TestWhatNeedsARestart(t *testing.T) {
	t.Parallel()
	parse := func(text string) *Config {
		c, err := Parse("c", []byte(text), home)
		require.NoError(t, err)
		return c
	}
	begun := parse("data: /srv\nmqtt: {listen: 127.0.0.1:1, users: [{name: a, password_file: /a}]}\npage: {hosts: [x]}\nunits: {gravity: plato}")
	next := parse("data: /srv\nmqtt: {listen: 127.0.0.1:2, users: [{name: b, password_file: /b}]}\npage: {hosts: [x, y]}\nlog: {level: debug}\n" + pale + "}")
	require.Equal(t, []string{"batch", "mqtt.listen", "page.hosts", "units.gravity"}, NeedRestart(begun, next))
	require.Empty(t, NeedRestart(begun, begun))
	force := next.Under(begun)
	require.Equal(t, "127.0.0.1:1", force.MQTT.Listen)
	require.Equal(t, "b", force.MQTT.Users[0].Name)
	require.Equal(t, []string{"x"}, force.Page.Hosts)
	require.True(t, force.Units.Plato)
	require.Nil(t, force.Batch)
	require.Equal(t, "debug", force.Level)

	outside := parse("mqtt: {url: \"tcp://b.example\"}").Under(begun)
	require.Empty(t, outside.MQTT.URL)
	require.Equal(t, "a", outside.MQTT.Users[0].Name, "an embedded broker that goes on keeps its users")
}

// Law: secrets stand in files or variables, a file's name may begin with a
// variable, and a variable that is not set is told with its place.
func TestWhereSecretsStand(t *testing.T) {
	t.Setenv("CELLAR_TOKEN", "swordfish")
	lookup := func(name string) (string, bool) {
		if name == "CREDENTIALS_DIRECTORY" {
			return "/run/credentials/ebbline", true
		}
		return home(name)
	}
	c, err := Parse("c", []byte("mqtt: {username: u, password_file: \"${CREDENTIALS_DIRECTORY}/mqtt\"}\nalive: {url: {url_env: CELLAR_TOKEN}}\n"), lookup)
	require.NoError(t, err)
	require.Equal(t, "/run/credentials/ebbline/mqtt", c.MQTT.PasswordFile)
	got, err := Secret(c.Alive.URLFile)
	require.NoError(t, err)
	require.Equal(t, "swordfish", got)
	_, err = Secret("$CELLAR_UNSET")
	require.ErrorContains(t, err, "the environment variable CELLAR_UNSET is not set")
	_, err = Parse("c", []byte("mqtt: {username: u, password_file: \"${CREDENTIALS_DIRECTORY}/mqtt\"}"), home)
	require.ErrorContains(t, err, "c:1:36: password_file: the environment variable CREDENTIALS_DIRECTORY is not set")
	_, err = Parse("c", []byte("mqtt: {username: u, password_file: $HOME/mqtt}"), lookup)
	require.ErrorContains(t, err, "written ${NAME}/")
}
