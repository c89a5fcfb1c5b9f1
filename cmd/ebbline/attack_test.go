package main

import (
	"context"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
	"ebbline/ingest"
	"ebbline/ingest/broker/brokertest"
)

// planted are secrets that stand in a configuration or in files it names. None of
// them may be found in anything that the daemon wrote, said or keeps.
func planted(t testing.TB, h *residence) (secrets []string, password string) {
	t.Helper()
	file := func(name, text string) string {
		path := filepath.Join(h.dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text+"\n"), 0o600))
		return path
	}
	secret := func(of string) string {
		s := "planted-" + of + "-7c1f"
		secrets = append(secrets, s)
		return s
	}
	nobody := porttest.Address(t)
	broker := secret("broker")
	h.mqttExtra = fmt.Sprintf(", users: [{name: float, publish: [cellar/plain], password_file: %q}]", file("float", broker))
	h.extra = fmt.Sprintf(`sensors: [{name: plain, topic: cellar/plain, readings: [{quantity: gravity, pointer: /g, unit: sg}]}]
notify:
  - {ntfy: {url_file: %q}, token_file: %q}
  - {webhook: "http://%s/%s?key=%s", secret_file: %q, after: 0s}
  - {shoutrrr: {url_file: %q}, after: 0s}
  - {mail: {server: %q, tls: none, user: orla, password_file: %q, from: ebbline@cellar.example, to: [orla@cellar.example]}, after: 0s}
mirror: {influxdb: {url: "http://%s", org: cellar, bucket: beer, token_file: %q}}
alive: {url: "http://%s/%s", every: 1m}
`, file("ntfy", "http://"+nobody+"/"+secret("topic")), file("ntfy-token", secret("bearer")), nobody, secret("path"), secret("query"), file("key", secret("hmac")),
		file("chat", "generic+http://"+nobody+"/"+secret("chat")), nobody, file("mail", secret("letter")), nobody, file("influx", secret("influx")), nobody, secret("alive"))
	return secrets, broker
}

// Everything that the daemon wrote, printed or answers is searched for the
// secrets it was given, and for the ones it made itself.
func TestNoSecretLeaves(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	secrets, broker := planted(t, h)
	p := h.serve(t)
	first := firstPassword(t, p)
	host, port, err := net.SplitHostPort(p.mqtt)
	require.NoError(t, err)
	for _, login := range [][2]string{{"float", broker}, {"float", "wrong-guess-5511"}} {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + net.JoinHostPort(host, port)).SetClientID("f").SetUsername(login[0]).SetPassword(login[1]))
		if token := c.Connect(); token.WaitTimeout(longEnough) && token.Error() == nil {
			require.True(t, c.Publish("cellar/plain", 1, false, `{"g":1.0124}`).WaitTimeout(longEnough))
			c.Disconnect(100)
		}
	}
	resp, err := http.PostForm(p.page+"/login", map[string][]string{"password": {"wrong-guess-5512"}})
	require.NoError(t, err)
	resp.Body.Close()
	for _, path := range []string{"/a/wrong-guess-5513", "/login?to=/a/wrong-guess-5513"} {
		p.get(path)
	}
	code, out, errs := ebbline(t, "", "check", "--notify", h.config(t))
	require.NotZero(t, code, "nobody takes the tests")
	require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), "mirror") }, time.Minute, 50*time.Millisecond)
	backup := filepath.Join(h.dir, "copy.db")
	code, told, _ := ebbline(t, "", "backup", "--config", h.config(t), backup)
	require.Zero(t, code)
	said := map[string]string{"what check printed": out + errs, "what backup printed": told, "what the daemon printed": strings.Replace(p.stderr.String(), first, "", 1)}
	for _, path := range []string{"/metrics", "/healthz", "/readyz", "/login", "/api/v1/health", "/api/v1/openapi.json", "/api/v1/sensors", "/api/v1/batches"} {
		said[path] = p.get(path)
	}
	p.term()
	said["what the daemon printed at the end"] = strings.Replace(p.stderr.String(), first, "", 1)
	kept := []string{backup}
	require.NoError(t, filepath.WalkDir(h.data, func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			kept = append(kept, path)
		}
		return err
	}))
	require.Greater(t, len(kept), 1)
	for _, path := range kept {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		said[path] = string(text) + path
	}
	require.Contains(t, said["/metrics"], "ebbline_journal_readings 1", "the broker let the right one in")
	for where, text := range said {
		for _, s := range append(secrets, first, "wrong-guess-551") {
			require.NotContains(t, text, s, where)
		}
	}
}

// However wide the umask is, what the daemon makes is its owner's alone.
func TestFilesAreTheOwnersAlone(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	exe, err := os.Executable()
	require.NoError(t, err)
	loose := func(args ...string) *process {
		p := &process{t: t, cmd: program(t, args...), stderr: &lockedBuffer{}, page: "http://" + h.page, mqtt: h.mqtt}
		p.cmd.Path, p.cmd.Args = "/bin/sh", append([]string{"sh", "-c", `umask 0; exec "$@"`, "sh", exe}, args...)
		p.cmd.Stdout, p.cmd.Stderr = p.stderr, p.stderr
		require.NoError(t, p.cmd.Start())
		t.Cleanup(p.kill)
		return p
	}
	p := loose("serve", "--config", h.config(t))
	require.Eventually(t, func() bool { return p.status("/healthz") == http.StatusOK }, longEnough, 20*time.Millisecond, "%s", p.stderr)
	publish(t, h.mqtt, "cellar/plain", []string{`{"g":1.0124}`})
	backup := filepath.Join(h.dir, "copy.db")
	require.NoError(t, loose("backup", "--config", h.config(t), backup).cmd.Wait())
	found := map[string]fs.FileMode{}
	note := func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := e.Info()
		if err == nil {
			found[path] = info.Mode()
		}
		return err
	}
	require.NoError(t, filepath.WalkDir(h.data, note))
	require.NoError(t, filepath.WalkDir(backup, note))
	require.Contains(t, found, filepath.Join(h.data, "ebbline.db-wal"), "looked at while it is open")
	for path, mode := range found {
		require.Zero(t, mode.Perm()&0o077, "%s has mode %v", path, mode)
	}
	p.term()
}

// Names and payloads that would forge lines, or steer the terminal of who reads
// the log, stand in it as harmless text.
func TestNobodyWritesLinesIntoTheLog(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	const forged = "x\nlevel=ERROR msg=forged\r\n\x1b[2J\x1b]0;owned\x07\u009b31m\u202e"
	opts := mqtt.NewClientOptions().AddBroker("tcp://" + p.mqtt).SetClientID(forged).SetUsername(forged).SetPassword(forged).SetAutoReconnect(false)
	c := mqtt.NewClient(opts)
	token := c.Connect()
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
	for _, topic := range []string{"cellar/" + forged, "ebbline/batch/" + forged} {
		c.Publish(topic, 1, false, `{"g":"`+forged+`"}`).WaitTimeout(5 * time.Second)
	}
	c.Publish("$SYS/"+forged, 0, false, forged).WaitTimeout(time.Second)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, p.page+"/api/v1/batches/x%0Alevel=ERROR%20msg=forged%1b%5b2J", nil)
	require.NoError(t, err)
	r.Host = "evil\x1b[2J.example"
	if resp, err := http.DefaultClient.Do(r); err == nil {
		resp.Body.Close()
	}
	require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), "message refused") }, time.Minute, 20*time.Millisecond)
	require.NoError(t, os.MkdirAll(filepath.Join(h.data, "batches"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(h.data, "batches", "x\nlevel=ERROR msg=forged\x1b[2J.yaml"), []byte("\"a\\nlevel=ERROR msg=forged\\e[2J\": 1\n"), 0o600))
	require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), "could not be used") }, time.Minute, 20*time.Millisecond)
	c.Disconnect(100)
	p.term()
	for _, line := range strings.Split(p.stderr.String(), "\n") {
		require.False(t, strings.HasPrefix(line, "level="), "a line was forged: %q", line)
		for _, r := range line {
			require.False(t, r < ' ' && r != '\t' || r >= 0x7f && r < 0xa0 || r == '\u202e', "%q steers a terminal", line)
		}
	}
	for _, line := range strings.Split(p.get("/metrics"), "\n") {
		require.NotContains(t, line, "forged")
	}
}

// A device that publishes a thousand a second, another that sends poison and one
// that invents topics: a neighbour's readings go on, each stored before it is
// acknowledged. How long its acknowledgements take is told, not judged.
func TestANeighbourOfFloodsIsServed(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.extra = "sensors: [{name: calm, topic: cellar/calm, readings: [{quantity: gravity, pointer: /g, unit: sg}]}, {name: fast, topic: cellar/fast, readings: [{quantity: gravity, pointer: /g, unit: sg}]}]\n"
	p := h.serve(t)
	client := func(id string) mqtt.Client {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + p.mqtt).SetClientID(id).SetStore(brokertest.Store()))
		token := c.Connect()
		require.True(t, token.WaitTimeout(longEnough) && token.Error() == nil, "%v", token.Error())
		t.Cleanup(func() { c.Disconnect(0) })
		return c
	}
	send := func(c mqtt.Client, topic, payload string) time.Duration {
		begun := time.Now()
		token := c.Publish(topic, 1, false, payload)
		require.True(t, token.WaitTimeout(longEnough), "no acknowledgement on %s", topic)
		require.NoError(t, token.Error())
		return time.Since(begun)
	}
	calm := client("calm")
	round := func(from int) []time.Duration {
		var took []time.Duration
		for i := range 30 {
			took = append(took, send(calm, "cellar/calm", fmt.Sprintf(`{"g":1.%04d}`, from+i)))
			time.Sleep(20 * time.Millisecond)
		}
		sort.Slice(took, func(i, j int) bool { return took[i] < took[j] })
		return took
	}
	quiet := round(100)

	ctx, stop := context.WithCancel(t.Context())
	floods := make(chan int, 3)
	flood := func(id string, message func(i int) (topic, payload string)) {
		c := client(id)
		go func() {
			n := 0
			for ; ctx.Err() == nil; n++ {
				topic, payload := message(n)
				c.Publish(topic, 1, false, payload)
				time.Sleep(time.Millisecond)
			}
			floods <- n
		}()
	}
	flood("fast", func(i int) (string, string) { return "cellar/fast", fmt.Sprintf(`{"g":1.%04d}`, i%1000) })
	flood("poison", func(i int) (string, string) { return "cellar/calm", []string{"", "{", "null", "\xff\xfe"}[i%4] })
	flood("topics", func(i int) (string, string) { return fmt.Sprint("attic/", i), "1" })
	busy := round(200)
	stop()
	sent := <-floods + <-floods + <-floods
	t.Logf("publish to acknowledgement of a calm device, median and worst of 30: quiet %v, %v; beside %d messages of three floods %v, %v",
		quiet[15], quiet[29], sent, busy[15], busy[29])
	p.term()
	j := openJournal(t, h.data)
	stored := map[string]int{}
	for _, r := range storedGravities(t, j, "calm") {
		stored[fmt.Sprintf("%.4f", r.Value)]++
	}
	for i := range 30 {
		require.Equal(t, 1, stored[fmt.Sprintf("1.%04d", 100+i)])
		require.Equal(t, 1, stored[fmt.Sprintf("1.%04d", 200+i)])
	}
	counts, err := j.RefusalCounts(t.Context())
	require.NoError(t, err)
	require.Positive(t, counts[ingest.NotJSON])
	topics, err := j.UnassignedTopics(t.Context())
	require.NoError(t, err)
	require.LessOrEqual(t, len(topics), 500)
}

// Slow loris: two hundred connections that never finish their request keep nobody
// from the page, and are closed within the time that a request's head may take.
func TestUnfinishedRequestsKeepNobodyOut(t *testing.T) {
	t.Parallel()
	p := newResidence(t).serve(t)
	addr := strings.TrimPrefix(p.page, "http://")
	ended := make(chan error, 200)
	for range cap(ended) {
		c, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", addr)
		require.NoError(t, err)
		t.Cleanup(func() { _ = c.Close() })
		head := "POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: " + strings.Repeat("x", 200)
		go func() {
			for n := 0; ; n++ {
				if _, err := c.Write([]byte{head[min(n, len(head)-1)]}); err != nil {
					ended <- err
					return
				}
				time.Sleep(200 * time.Millisecond)
			}
		}()
	}
	require.Equal(t, http.StatusOK, p.status("/healthz"))
	require.Equal(t, http.StatusOK, p.status("/login"))
	for range cap(ended) {
		select {
		case <-ended:
		case <-time.After(2 * time.Minute):
			t.Fatal("an unfinished request holds its connection")
		}
	}
	require.Equal(t, http.StatusOK, p.status("/login"))
}

// Tokens cannot be guessed: whatever is tried, the answer is the same as for one
// that never was, and tells nothing of what is right.
func TestGuessedTokensLearnNothing(t *testing.T) {
	t.Parallel()
	p := newResidence(t).serve(t)
	answers := map[string]int{}
	for i := range 100 {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, p.page+"/api/v1/batches", strings.NewReader("x"))
		require.NoError(t, err)
		r.Header.Set("Authorization", fmt.Sprintf("Bearer %043d", i))
		resp, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		resp.Body.Close()
		answers[fmt.Sprint("token ", resp.StatusCode)]++
		answers[fmt.Sprint("link ", p.status(fmt.Sprintf("/a/%043d", i)))]++
	}
	require.Equal(t, map[string]int{"token 401": 100, "link 404": 100}, answers)
	wrong := map[int]int{}
	for range 12 {
		resp, err := http.PostForm(p.page+"/login", map[string][]string{"password": {"guess"}})
		require.NoError(t, err)
		resp.Body.Close()
		wrong[resp.StatusCode]++
	}
	require.Positive(t, wrong[http.StatusTooManyRequests], "a password can be guessed, so its guesses are slowed down: %v", wrong)
}
