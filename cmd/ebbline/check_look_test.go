package main

import (
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// Law: check looks at everything that the configuration names, says in plain
// words what is well and what is not, sends nothing and tells no secret. The
// broker is mosquitto.
func TestCheckLooksAround(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t)
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), mode))
		require.NoError(t, os.Chmod(path, mode))
		return path
	}
	m.start()
	var asked atomic.Int32
	there := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet || r.URL.Path != "/ping" {
			asked.Add(1) // a message
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(there.Close)
	sensor := func(name string) string {
		return fmt.Sprintf("{name: %s, topic: cellar/%s, readings: [{quantity: ph, pointer: /p}]}", name, name)
	}
	file := write("ebbline.yaml", strings.Join([]string{
		"data: " + dir, "page: {listen: \"" + porttest.Address(t) + "\"}",
		"mqtt: {url: \"tcp://" + m.addr + "\", username: ebbline, password_file: " + write("open", "swordfish", 0o644) + "}",
		"notify:", "  - {webhook: \"" + there.URL + "/swordfish\", secret_file: " + write("empty", "", 0o600) + "}",
		"  - {ntfy: \"http://" + porttest.Address(t) + "/swordfish\", name: phone, token_file: " + dir + "/none}",
		"mirror: {influxdb: {url: \"" + there.URL + "\", bucket: beer, token_env: EBBLINE_TEST_UNSET}}",
		"on_crash_now: [{sensor: flaot-1, topic: cellar/cooler, payload: \"on\"}]",
		"sensors: [" + sensor("float-1") + ", " + sensor("float-2") + "]",
	}, "\n")+"\n", 0o600)

	status, out, errs := check(t, file)
	require.Equal(t, exitDone, status, errs)
	for _, want := range []string{
		"Looked around, without sending anything:\n", "  mqtt: the broker tcp://" + m.addr + " lets us in as ebbline\n",
		"  data: " + dir + " can be written\n", "  mqtt: it grants our subscription to 2 topic filters", "is free\n",
		"  notify: webhook: " + strings.TrimPrefix(there.URL, "http://") + " can be reached; --notify sends a test\n",
		"! notify: phone: ", " cannot be reached: connection refused\n", "  mirror: " + there.URL + " answers",
		"! mqtt password: everybody on this machine may open ", "! secret of webhook: " + dir + "/empty is empty\n",
		"! token of phone: there is no file " + dir + "/none\n", "! mirror token: the environment variable EBBLINE_TEST_UNSET is not set here",
		"! on_crash_now: no sensor of these files is called flaot-1",
	} {
		require.Contains(t, out, want)
	}
	require.NotContains(t, out+errs, "swordfish")
	require.Zero(t, asked.Load(), "nothing was sent")

	status, out, errs = check(t, "--strict", file)
	require.Equal(t, exitFailed, status, out)
	require.Contains(t, errs, "not well; the lines above with a ! say what")
	status, out, _ = check(t, "--strict", "--offline", file)
	require.Equal(t, exitDone, status)
	require.NotContains(t, out, "Looked around")

	alone := write("alone.yaml", "data: "+dir+"\npage: {listen: \""+porttest.Address(t)+"\"}\nmqtt: {listen: \""+porttest.Address(t)+"\"}\non_crash_now: [{batch: pale wheat 12, topic: cellar/cooler, payload: \"on\"}]\n", 0o600)
	_, out, _ = check(t, alone)
	require.Contains(t, out, "  on_crash_now: check this together with the file of batch pale wheat 12")
	_, out, _ = check(t, alone, checkFiles+"good/pale.batch.yaml")
	require.NotContains(t, out, "  on_crash_now: ", "it fits")

	m.stop()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	file = write("gone.yaml", "data: "+dir+"/new\nmqtt: {url: \"tcp://"+m.addr+"\"}\npage: {listen: \""+l.Addr().String()+"\"}\n", 0o600)
	status, out, _ = check(t, file)
	require.Equal(t, exitDone, status)
	require.Contains(t, out, "! mqtt: tcp://"+m.addr+": cannot reach the broker: ")
	require.Contains(t, out, "connection refused")
	require.Contains(t, out, "all is well if that is ebbline itself")
	require.Contains(t, out, "is not there yet; it is made at the first start")
}

// Law: what editors and operators are given can be printed by any binary.
func TestCheckPrintsSchemaAndReference(t *testing.T) {
	t.Parallel()
	for flag, file := range map[string]string{"--schema": "ebbline.schema.json", "--reference": "configuration.md"} {
		status, out, errs := check(t, flag)
		require.Equal(t, exitDone, status, errs)
		want, err := os.ReadFile("../../deploy/" + file)
		require.NoError(t, err)
		require.Equal(t, string(want), out)
	}
	status, _, errs := check(t)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, "no file to check")
}
