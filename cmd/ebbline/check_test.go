package main

import (
	"bytes"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const checkFiles = "../../testdata/config/"

// check runs the command as the shell would.
func check(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(append([]string{"check"}, args...), strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

func TestCheckSaysInPlainWordsWhatItUnderstood(t *testing.T) {
	status, out, errs := check(t, checkFiles+"good/contract.yaml", checkFiles+"good/pale.batch.yaml")
	require.Equal(t, exitDone, status, errs)
	require.Empty(t, errs)
	for _, want := range []string{
		"contract.yaml is a configuration.", "readings from the broker tcp://127.0.0.1:1883 as ebbline",
		"notify by webhook: everything", "notify by ntfy: urgent if unanswered for 15m, and all that those before it do not get through", "sensor float-1: topic cellar/float-1, its own clock at /ts",
		"gravity at /g in sg, corrected from a scale made for 20 °C",
		"pale.batch.yaml is a batch file.", "batch pale wheat 12 (pale-wheat-12-20260302): 19 L",
		"ceiling not more than 0.5 % ABV, by the rule balling: reached at gravity 1.0094, after 3.8 points",
	} {
		require.Contains(t, out, want)
	}
	require.NotContains(t, out, "long-random-topic", "the address of a channel may be its secret")

	status, out, _ = check(t, checkFiles+"good/everything.yaml")
	require.Equal(t, exitDone, status)
	for _, want := range []string{
		"each topic a sensor vat/…", "becomes gravity by 3 coefficients", "is the whole payload in degF", "in record urn:dev:bench-1:ph",
		"less than 0.5 % ABV, by the rule cautious: reached at gravity 1.0123, after 3.8 points", "2 users may publish, TLS", "notify by ntfy, called Orla's phone: urgent", "heads-up 12h and 3h ahead",
	} {
		require.Contains(t, out, want)
	}
}

// A pitch of last season is said to be one: year and month are easily mistyped.
// What the network reaches without TLS is said, and by which clock the quiet hours go.
func TestCheckSaysWhatIsOpenToTheNetwork(t *testing.T) {
	const users = "users: [{name: a, password_file: /none}]"
	for text, says := range map[string][2]string{
		"page: {listen: 0.0.0.0:8080}\n":                                             {"page.listen 0.0.0.0:8080: everybody on the network reaches the page, without TLS.", ""},
		"page: {listen: \":8080\", public_url: https://cellar.example}\n":            {"page.listen :8080: everybody", ""},
		"page: {listen: 0.0.0.0:8080, cert_file: /c, key_file: /k}\n":                {"", "everybody"},
		"page: {listen: 127.0.0.1:8080}\n":                                           {"", "note:"},
		"mqtt: {listen: 0.0.0.0:1883, " + users + "}\n":                              {"mqtt.listen 0.0.0.0:1883: devices log in from the network without TLS", "everybody"},
		"mqtt: {listen: 0.0.0.0:1883, cert_file: /c, key_file: /k, " + users + "}\n": {"", "without TLS"},
		"quiet: {from: 22:30, to: 06:30}\n":                                          {"quiet from 22:30 to 06:30 by this machine’s clock: only", "Local"},
		"quiet: {from: 22:30, to: 06:30}\ntimezone: Europe/Rome\n":                   {"quiet from 22:30 to 06:30 in Europe/Rome: only", "Local"},
	} {
		file := filepath.Join(t.TempDir(), "ebbline.yaml")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		status, out, errs := check(t, "--offline", file)
		require.Equal(t, exitDone, status, "%s%s", text, errs)
		require.Contains(t, out, says[0])
		if says[1] != "" {
			require.NotContains(t, out, says[1], text)
		}
	}
}

func TestCheckWondersAboutAnOldPitch(t *testing.T) {
	text, err := os.ReadFile(checkFiles + "good/pale.batch.yaml")
	require.NoError(t, err)
	for days, wonders := range map[int]bool{3: false, 270: true} {
		pitched := time.Now().AddDate(0, 0, -days).UTC().Format(time.RFC3339)
		file := filepath.Join(t.TempDir(), "pale.batch.yaml")
		require.NoError(t, os.WriteFile(file, regexp.MustCompile(`pitched_at: .*`).ReplaceAll(text, []byte("pitched_at: "+pitched)), 0o600))
		status, out, errs := check(t, file)
		require.Equal(t, exitDone, status, errs)
		require.Equal(t, wonders, strings.Contains(out, "note: pitched 270 days ago. Are year and month right?"), out)
	}
}

// Law: --notify says of every channel what became of its test message, and no
// secret.
func TestCheckTriesEveryChannel(t *testing.T) {
	took := newSink(t)
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) }))
	t.Cleanup(refuses.Close)
	dir := t.TempDir()
	conf, address := filepath.Join(dir, "ebbline.yaml"), filepath.Join(dir, "address")
	write := func(path, text string) { require.NoError(t, os.WriteFile(path, []byte(text), 0o600)) }
	write(address, refuses.URL+"/swordfish-topic\n")
	write(conf, "notify:\n  - webhook: "+took.URL+"/swordfish\n  - {ntfy: {url_file: "+address+"}, name: phone}\n"+
		"  - shoutrrr: generic+"+refuses.URL+"/swordfish?@token=swordfish\n  - mail: {server: \"127.0.0.1:1\", from: a@cellar.example, to: [b@cellar.example]}\n")

	status, out, errs := check(t, "--notify", conf)
	require.Equal(t, exitFailed, status)
	require.Contains(t, errs, "3 of 4 channels did not take the test message")
	require.Contains(t, out, "webhook took the test message. Look whether it reached you")
	require.Contains(t, out, "phone did not take the test message: answered 401 Unauthorized: check the token.")
	require.Contains(t, out, "shoutrrr did not take the test message: answered 401 Unauthorized: check the token.")
	require.Contains(t, out, "mail did not take the test message: not sent: connection refused")
	require.NotContains(t, out+errs, "swordfish")
	require.Len(t, took.of("test"), 1)
	require.Nil(t, took.of("test")[0].Body["batch"], "a test is of no batch")

	write(conf, "notify:\n  - webhook: "+took.URL+"/hook\n")
	status, _, errs = check(t, "--notify", conf)
	require.Equal(t, exitDone, status, errs)
	write(conf, "notify:\n  - shoutrrr: {url_file: "+address+"}\n")
	status, _, errs = check(t, "--notify", conf)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, conf+":2:5: notify: shoutrrr: the address begins with the name of a service")
	require.NotContains(t, errs, "swordfish")
	write(conf, "notify:\n  - ntfy: {url_file: /nowhere/at/all}\n")
	status, _, errs = check(t, "--notify", conf)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, "/nowhere/at/all")
	write(conf, "data: "+dir+"\n")
	status, _, errs = check(t, "--notify", conf)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, "no channel to try")
}

// Law: every bad file ends in status 2, with file, line and column; a good file
// beside it does not hide that, nor a bad one another.
func TestCheckOfBadFiles(t *testing.T) {
	bad, err := filepath.Glob(checkFiles + "bad/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, bad)
	for _, f := range bad {
		status, out, errs := check(t, f, checkFiles+"good/contract.yaml")
		require.Equal(t, exitUsage, status, f)
		require.Empty(t, out)
		require.Regexp(t, `(?m)^(ebbline: )?`+f+`:\d+:\d+: `, errs)
	}
	_, _, errs := check(t, bad...)
	for _, f := range bad {
		require.Contains(t, errs, f+":")
	}
}

func TestCheckOfSensorsAcrossFiles(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	batch := func(name, sensor string) string {
		return write(name+".yaml", "batch: {name: "+name+", volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: 2026-03-02T18:00:00Z, sensors: ["+sensor+"]}")
	}
	conf := checkFiles + "good/contract.yaml"
	one, two, other := batch("one", "float-1"), batch("two", "float-1"), batch("other", "float-9")

	status, _, errs := check(t, conf, one)
	require.Equal(t, exitDone, status, errs)
	status, _, errs = check(t, conf, other)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, `sensors: "float-9" is not defined`)
	status, _, errs = check(t, conf, one, two)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, "sensor float-1 is also in the batch of "+one)
	status, _, errs = check(t, one, one)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, "batch one-20260302 is also described by "+one)
}

func TestCheckTellsThatACeilingIsPassedAlready(t *testing.T) {
	status, out, _ := check(t, "../../testdata/captures/ceiling12-01/batch.yaml")
	require.Equal(t, exitDone, status, "the beer is what it is: the daemon says what remains to be done")
	require.Regexp(t, `note: .*batch.yaml:26:7: the sample of 2026-03-09T14:00:00Z means about 1.57 % ABV: the ceiling of 1.2 % is passed already`, out)
}

func TestCheckOfAFileThatIsNotThere(t *testing.T) {
	status, _, errs := check(t, "/nowhere/at/all.yaml")
	require.Equal(t, exitUsage, status)
	require.Equal(t, "ebbline: there is no file /nowhere/at/all.yaml; give the path of a configuration or a batch file\n", errs)
	_, _, errs = ebbline(t, "", "serve", "--config", "/nowhere/at/all.yaml")
	require.Equal(t, "ebbline: there is no file /nowhere/at/all.yaml; give the path of a configuration; without --config everything has a default\n", errs)
	status, _, _ = check(t)
	require.Equal(t, exitUsage, status)
}

// failing refuses to be written to.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestCheckSaysThatItCannotWrite(t *testing.T) {
	err := (&CheckCmd{Files: []string{checkFiles + "good/pale.batch.yaml"}}).Run(failing{})
	require.ErrorContains(t, err, "disk full")
}
