package config

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const testFiles = "../../../testdata/config/"

// home is an environment with nothing but a home.
func home(name string) (string, bool) {
	if name == "HOME" {
		return "/home/orla", true
	}
	return "", false
}

func nowhere(string) (string, bool) { return "", false }

// load reads a file as what it is, a batch file or a configuration.
func load(path string) error {
	if strings.HasSuffix(path, ".batch.yaml") {
		_, err := LoadBatch(path)
		return err
	}
	data, err := os.ReadFile(path)
	if err == nil {
		_, err = Parse(path, data, home)
	}
	return err
}

func TestGoodFilesLoad(t *testing.T) {
	files, err := filepath.Glob(testFiles + "good/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		require.NoError(t, load(f))
	}
}

func TestBadFilesSayEveryFaultWithItsPlace(t *testing.T) {
	files, err := filepath.Glob(testFiles + "bad/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		err := load(f)
		require.Error(t, err, f)
		got := strings.ReplaceAll(err.Error(), filepath.Dir(f)+"/", "") + "\n"
		require.NotContains(t, got, "swordfish", "a secret is not repeated")
		golden := strings.TrimSuffix(f, ".yaml") + ".txt"
		if *update {
			require.NoError(t, os.WriteFile(golden, []byte(got), 0o600))
		}
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.Equal(t, string(want), got, f)
	}
}

func TestTheConfigurationOfTheContract(t *testing.T) {
	c, err := Load(testFiles + "good/contract.yaml")
	require.NoError(t, err)
	require.Equal(t, "/var/lib/ebbline", c.Data)
	require.Equal(t, MQTT{URL: "tcp://127.0.0.1:1883", Listen: DefaultMQTTListen, Username: "ebbline", PasswordFile: "/etc/ebbline/mqtt"}, c.MQTT)
	require.Equal(t, Page{Listen: "127.0.0.1:8080", PublicURL: "https://cellar.example"}, c.Page)
	require.Equal(t, []Channel{
		{Name: "webhook", Kind: "webhook", URL: "http://127.0.0.1:9000/hook", Place: testFiles + "good/contract.yaml:12:5"},
		{
			Name: "ntfy", Kind: "ntfy", URL: "https://ntfy.example/long-random-topic", Place: testFiles + "good/contract.yaml:13:5",
			After: 15 * time.Minute, Second: true,
		},
	}, c.Notify)
	require.Equal(t, []string{"webhook", "ntfy"}, c.Channels())
	require.Equal(t, InfluxDB{URL: "http://127.0.0.1:8428", Org: "cellar", Bucket: "beer", TokenFile: "/etc/ebbline/influx"}, c.Mirror.InfluxDB)
	require.Len(t, c.Sensors, 1)
	require.Nil(t, c.Batch)
}

func TestKeysBeyondTheContract(t *testing.T) {
	c, err := Load(testFiles + "good/everything.yaml")
	require.NoError(t, err)
	require.Equal(t, []User{{Name: "float", PasswordFile: "/etc/ebbline/float"}, {Name: "probe", PasswordFile: "/etc/ebbline/probe"}}, c.MQTT.Users)
	require.Equal(t, []string{"Orla's phone", "webhook", "webhook-2"}, c.Channels())
	require.Equal(t, []string{"urgent"}, c.Notify[0].Severities)
	require.Equal(t, "/etc/ebbline/ntfy", c.Notify[0].TokenFile)
	b := c.Batch
	require.NotNil(t, b)
	require.Equal(t, "brown-9", b.Batch.ID)
	require.InDelta(t, 50.0, float64(b.Batch.Volume), 0)
	require.InDelta(t, 2.2222, float64(b.Batch.Crash.To), 1e-4)
	require.Equal(t, projection.MaltoseNegative, b.Batch.Yeast)
	require.Equal(t, gravity.Ceiling{Limit: 0.5, Strict: true}, b.Batch.Ceiling)
	require.Equal(t, &Range{15, 25}, b.Temperature)
	require.Equal(t, &Quiet{22*60 + 30, 6*60 + 30}, c.Quiet)
	require.Equal(t, "Europe/Rome", c.Location().String())
	require.Equal(t, Units{Plato: true, Fahrenheit: true}, c.Units)
	require.Equal(t, &Quiet{From: 0, To: 8 * 60}, b.Quiet)
	back, err := DecodeSpec(b.Raw)
	require.NoError(t, err)
	require.Equal(t, b.Batch, back.Batch)
	require.Equal(t, b.Quiet, back.Quiet)
	require.Equal(t, c.Sensors, back.Sensors)
}

func TestTheLadderOfChannels(t *testing.T) {
	c, err := Load(testFiles + "good/ladder.yaml")
	require.NoError(t, err)
	require.Equal(t, []string{"phone", "letter", "chat", "webhook", "mail"}, c.Channels())
	type rung struct {
		after  time.Duration
		second bool
	}
	var got []rung
	for i := range c.Notify {
		got = append(got, rung{c.Notify[i].After, c.Notify[i].Second})
	}
	require.Equal(t, []rung{{0, false}, {15 * time.Minute, true}, {45 * time.Minute, false}, {0, false}, {15 * time.Minute, true}}, got,
		"the first at once, others as the file says, or as stand-ins")
	require.Equal(t, []any{"/etc/ebbline/topic", "", 30}, []any{c.Notify[0].URLFile, c.Notify[0].URL, c.Notify[0].PerHour})
	require.Equal(t, Mail{
		Server: "smtp.example:465", TLS: "tls", User: "orla", PasswordFile: "/etc/ebbline/mail",
		From: "Cellar <ebbline@cellar.example>", To: []string{"orla@cellar.example", "Bran <bran@cellar.example>"},
	}, c.Notify[1].Mail)
	require.Equal(t, "none", c.Notify[4].Mail.TLS)
	require.Equal(t, "/etc/ebbline/key", c.Notify[3].SecretFile)
}

func TestUsernameOfTheEmbeddedBroker(t *testing.T) {
	c, err := Parse("c", []byte("mqtt: {listen: 0.0.0.0:1883, username: float, password_file: /etc/float}"), home)
	require.NoError(t, err)
	require.Equal(t, []User{{Name: "float", PasswordFile: "/etc/float", All: true}}, c.MQTT.Users)
}

func TestWithoutAFileEverythingHasADefault(t *testing.T) {
	for _, text := range []string{"", "\n# nothing yet\n---\n"} {
		c, err := Parse("none", []byte(text), home)
		require.NoError(t, err)
		require.Equal(t, &Config{
			Data: "/home/orla/.local/state/ebbline",
			MQTT: MQTT{Listen: "127.0.0.1:1883"}, Page: Page{Listen: "127.0.0.1:8080"},
		}, c)
		require.Empty(t, c.Channels())
	}
	t.Setenv("XDG_STATE_HOME", "/var/tmp/state")
	t.Setenv("STATE_DIRECTORY", "")
	c, err := Load("")
	require.NoError(t, err)
	require.Equal(t, "/var/tmp/state/ebbline", c.Data)
	t.Setenv("STATE_DIRECTORY", "/var/lib/ebbline")
	c, err = Load("")
	require.NoError(t, err)
	require.Equal(t, "/var/lib/ebbline", c.Data, "a systemd unit says where")

	emptied := filepath.Join(t.TempDir(), "ebbline.yaml")
	require.NoError(t, os.WriteFile(emptied, []byte("\n"), 0o600))
	_, err = Load(emptied)
	require.ErrorContains(t, err, "ebbline.yaml is empty, as a full disk leaves a file that is written anew; put its text back, or leave --config out")
}

func TestAFolderForTheDataMustBeKnown(t *testing.T) {
	_, err := Parse("none", nil, nowhere)
	require.ErrorContains(t, err, "set data in the configuration")
	_, err = Parse("c.yaml", []byte("page: {listen: 127.0.0.1:0}"), nowhere)
	require.ErrorContains(t, err, "c.yaml:1:1: no folder for the data")
	c, err := Parse("c.yaml", []byte("data: /srv/beer"), nowhere)
	require.NoError(t, err)
	require.Equal(t, "/srv/beer", c.Data)
}

func TestSecretsAreReadWhenTheyAreUsed(t *testing.T) {
	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte(" pass word \r\n"), 0o600))
	t.Setenv("EBBLINE_TEST_SECRET", "from the environment")
	got, err := Secret(file, "EBBLINE_TEST_SECRET")
	require.NoError(t, err)
	require.Equal(t, " pass word ", got, "the file goes first, without its line end only")
	got, err = Secret("", "EBBLINE_TEST_UNSET", "EBBLINE_TEST_SECRET")
	require.NoError(t, err)
	require.Equal(t, "from the environment", got)
	got, err = Secret("")
	require.NoError(t, err)
	require.Empty(t, got)
	_, err = Secret(file + "-absent")
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestLoopback(t *testing.T) {
	for listen, want := range map[string]bool{
		"127.0.0.1:1883": true, "127.8.0.1:1": true, "[::1]:1": true, "localhost:1": true,
		":1883": false, "0.0.0.0:1": false, "[::]:1": false, "192.0.2.3:1": false, "cellar.lan:1": false, "127.0.0.1": false,
	} {
		require.Equal(t, want, loopback(listen), listen)
	}
}

// Law: a misspelt key is answered with the key that was meant.
func TestNearestKey(t *testing.T) {
	allowed := []string{"name", "topic", "time", "readings", "temperature", "password_file"}
	for word, want := range map[string]string{
		"topics": "topic", "temp": "temperature", "reading": "readings", "Name": "name",
		"pasword_file": "password_file", "zzz": "", "": "", "xy": "",
	} {
		require.Equal(t, want, nearest(word, allowed), word)
	}
	require.Equal(t, 1, editDistance("otpic", "topic"), "neighbours swapped count once")
	require.Equal(t, 3, editDistance("kitten", "sitting"))
}
