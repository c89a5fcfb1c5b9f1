package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/broker"
)

// lookLimit bounds each attempt to connect; all are made at once.
const lookLimit = 5 * time.Second

// finding is what a look at the surroundings of a configuration found.
type finding struct {
	bad  bool
	text string
}

func well(format string, args ...any) finding { return finding{false, fmt.Sprintf(format, args...)} }
func bad(format string, args ...any) finding  { return finding{true, fmt.Sprintf(format, args...)} }

// lookAround connects to everything that the configurations name and says in
// plain words what it found. It sends no message and starts nothing. It returns
// how much is not as it should be.
func lookAround(w *lines, files []*checked) (wrong int) {
	var looks []func() []finding
	for _, f := range files {
		if c := f.config; c != nil {
			looks = append(looks, func() []finding { return secretFiles(c) }, func() []finding { return dataFolder(c) },
				func() []finding { return mqttLook(c) }, func() []finding { return addressLook("page.listen", c.Page.Listen) },
				func() []finding { return mirrorLook(c) })
			for _, ch := range c.Notify {
				looks = append(looks, func() []finding { return channelLook(ch) })
			}
			looks = append(looks, func() []finding { return aliveLook(c) }, func() []finding { return nobodysCommands(c, files) })
		}
	}
	if len(looks) == 0 {
		return 0
	}
	w.line("Looked around, without sending anything:")
	found := make([][]finding, len(looks))
	var all sync.WaitGroup
	for i, look := range looks {
		all.Go(func() { found[i] = look() })
	}
	all.Wait()
	for _, some := range found {
		for _, f := range some {
			mark := "  "
			if f.bad {
				mark = "! "
				wrong++
			}
			w.line("%s%s", mark, f.text)
		}
	}
	return wrong
}

// secretFiles looks at every file that the configuration names.
func secretFiles(c *config.Config) (all []finding) {
	for _, f := range c.Files() {
		if name, ok := strings.CutPrefix(f.Name, "$"); ok {
			if os.Getenv(name) == "" {
				all = append(all, bad("%s: the environment variable %s is not set here; the daemon needs it", f.Key, name))
			}
			continue
		}
		st, err := os.Stat(f.Name)
		if err == nil && !st.IsDir() {
			var h *os.File
			if h, err = os.Open(f.Name); err == nil {
				_ = h.Close()
			}
		}
		switch {
		case errors.Is(err, fs.ErrNotExist):
			all = append(all, bad("%s: there is no file %s", f.Key, f.Name))
		case err != nil:
			all = append(all, bad("%s: %s cannot be read by this user: %s", f.Key, f.Name, reason(err)))
		case st.IsDir():
			all = append(all, bad("%s: %s is a folder, not a file", f.Key, f.Name))
		case st.Size() == 0:
			all = append(all, bad("%s: %s is empty", f.Key, f.Name))
		case f.Secret && st.Mode().Perm()&0o007 != 0:
			all = append(all, bad("%s: everybody on this machine may open %s (mode %04o); chmod 640 or 600 it", f.Key, f.Name, st.Mode().Perm()))
		}
	}
	if len(all) == 0 && len(c.Files()) > 0 {
		all = append(all, well("%s: there, readable, and not open to everybody", plural(len(c.Files()), "file")))
	}
	return all
}

func dataFolder(c *config.Config) []finding {
	st, err := os.Stat(c.Data)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return []finding{well("data: %s is not there yet; it is made at the first start", c.Data)}
	case err != nil:
		return []finding{bad("data: %s: %s", c.Data, reason(err))}
	case !st.IsDir():
		return []finding{bad("data: %s is a file, not a folder", c.Data)}
	case syscall.Access(c.Data, 0x2) != nil: // W_OK, access(2)
		return []finding{bad("data: this user may not write into %s; run the check as the daemon's user, or give it the folder", c.Data)}
	}
	free, err := freeBytes(c.Data)
	if err != nil {
		return []finding{bad("data: asking how much is free on the disk of %s: %s", c.Data, reason(err))}
	}
	return []finding{roomIn(c.Data, free)}
}

// roomIn says whether a folder can be written that this user may write into; free
// is how much its disk still takes, in bytes.
func roomIn(folder string, free int64) finding {
	switch {
	case free < 1e6:
		return bad("data: nothing is free on the disk of %s. %s", folder, makeRoom)
	case free < nearlyFull:
		return bad("data: %s free on the disk of %s. %s", freeWords(free), folder, makeRoom)
	}
	return well("data: %s can be written", folder)
}

// addressLook says whether an address can be listened on.
func addressLook(key, address string) []finding {
	l, err := new(net.ListenConfig).Listen(context.Background(), "tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return []finding{well("%s: something listens on %s already; all is well if that is ebbline itself", key, address)}
	case err != nil:
		return []finding{bad("%s: %s cannot be listened on: %s", key, address, reason(err))}
	}
	_ = l.Close()
	return []finding{well("%s: %s is free", key, address)}
}

func mqttLook(c *config.Config) []finding {
	m := c.MQTT
	secure, err := brokerTLS(m, nil)
	if err != nil {
		return []finding{bad("mqtt: %v", err)}
	}
	if m.URL == "" {
		return addressLook("mqtt.listen", m.Listen)
	}
	password, err := config.Secret(m.PasswordFile, config.MQTTPasswordEnv)
	if err != nil {
		return []finding{bad("mqtt: not tried: %v", err)}
	}
	id := make([]byte, 4)
	_, _ = rand.Read(id) // never fails, crypto/rand
	var filters []string
	for _, s := range c.Sensors {
		filters = append(filters, s.Topic)
	}
	who := broker.Login{URL: m.URL, ClientID: "ebbline-check-" + hex.EncodeToString(id), Username: m.Username, Password: password, TLS: secure}
	refused, err := broker.Probe(context.Background(), who, lookLimit, filters)
	if err != nil {
		return []finding{bad("mqtt: %s: %v", m.URL, err)}
	}
	all := []finding{well("mqtt: the broker %s lets us in%s", m.URL, when(m.Username != "", " as "+m.Username))}
	for _, f := range refused {
		all = append(all, bad("mqtt: the broker refuses to let us read %s; give our user the right to it", f))
	}
	if n := len(filters) - len(refused); n > 0 {
		all = append(all, well("mqtt: it grants our subscription to %s (mosquitto does so even where its ACL lets nothing through)", plural(n, "topic filter")))
	}
	return all
}

// mirrorLook asks the server whether it is there. Whether the token may write
// shows with the first copy.
func mirrorLook(c *config.Config) []finding {
	to := c.Mirror.InfluxDB
	if to.URL == "" {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), lookLimit)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(to.URL, "/")+"/ping", nil) // InfluxDB and VictoriaMetrics have it
	if err != nil {
		return []finding{bad("mirror: %s is no address: %s", to.URL, reason(err))}
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return []finding{bad("mirror: %s does not answer: %s", to.URL, reason(err))}
	}
	_ = resp.Body.Close()
	if resp.StatusCode >= 500 {
		return []finding{bad("mirror: %s answers %s", to.URL, resp.Status)}
	}
	return []finding{well("mirror: %s answers; whether the token may write shows with the first copy", to.URL)}
}

// channelLook connects as far as TLS. Only check --notify sends something.
func channelLook(ch config.Channel) []finding {
	host, secure, pool := "", false, ch.CAFile
	switch ch.Kind {
	case "mail":
		host, secure, pool = ch.Mail.Server, ch.Mail.TLS == "tls", ch.Mail.CAFile
	case "shoutrrr":
		return []finding{well("notify: %s was not tried: only --notify tells", ch.Name)}
	default:
		address := ch.URL
		if ch.URLFile != "" {
			var err error
			if address, err = config.Secret(ch.URLFile); err != nil {
				return []finding{bad("notify: %s: %v", ch.Name, err)}
			}
		}
		u, err := url.Parse(strings.TrimSpace(address))
		if err != nil || u.Host == "" {
			return []finding{bad("notify: %s: its address is no URL", ch.Name)}
		}
		host, secure = hostPort(u), u.Scheme == "https"
	}
	trusted, err := authorities(pool)
	if err != nil {
		return []finding{bad("notify: %s: %v", ch.Name, err)}
	}
	if err := reach(host, secure, trusted); err != nil {
		return []finding{bad("notify: %s: %s cannot be reached: %s", ch.Name, host, reason(err))}
	}
	return []finding{well("notify: %s: %s can be reached; --notify sends a test", ch.Name, host)}
}

func aliveLook(c *config.Config) []finding {
	if c.Alive.URL == "" { // or a secret in a file: it is looked at with the files
		return nil
	}
	u, err := url.Parse(c.Alive.URL)
	if err != nil {
		return nil // the configuration was read, so this is a URL
	}
	if err := reach(hostPort(u), u.Scheme == "https", nil); err != nil {
		return []finding{bad("alive: %s cannot be reached: %s", hostPort(u), reason(err))}
	}
	return []finding{well("alive: %s can be reached", hostPort(u))}
}

// hostPort is where a URL leads, without what may be secret in it.
func hostPort(u *url.URL) string {
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
	}
	return net.JoinHostPort(u.Hostname(), port)
}

func reach(host string, secure bool, trusted *x509.CertPool) error {
	ctx, cancel := context.WithTimeout(context.Background(), lookLimit)
	defer cancel()
	dial := new(net.Dialer).DialContext
	if secure {
		dial = (&tls.Dialer{Config: &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS12}}).DialContext
	}
	conn, err := dial(ctx, "tcp", host)
	if err != nil {
		return err
	}
	return conn.Close()
}

// reason is the innermost part of an error: what happened, without where, which
// is said already and may hold a secret.
func reason(err error) string {
	var dns *net.DNSError
	if errors.As(err, &dns) && dns.IsNotFound {
		return "no such host"
	}
	var number syscall.Errno
	if errors.As(err, &number) {
		return number.Error()
	}
	var u *url.Error
	if errors.As(err, &u) {
		err = u.Err
	}
	return err.Error()
}

// nobodysCommands finds commands of on_crash_now that no sensor or batch at hand
// fits: a word mistyped there would be found at three in the night.
func nobodysCommands(c *config.Config, files []*checked) (all []finding) {
	sensors, batches := append([]config.Defined{}, config.Names(c.Sensors)), 0
	called := map[string]bool{}
	for _, f := range files {
		b := f.file
		if f.config != nil && f.config.Batch != nil {
			b = *f.config.Batch
		}
		if b.Batch.ID == "" {
			continue
		}
		batches++
		called[b.Batch.ID], called[b.Batch.Name] = true, true
		sensors = append(sensors, config.Names(b.Sensors))
	}
	for _, cmd := range c.OnCrashNow {
		known := false
		for _, is := range sensors {
			known = known || is(cmd.Sensor)
		}
		switch {
		case cmd.Sensor != "" && !known:
			all = append(all, bad("on_crash_now: no sensor of these files is called %s; unless one of the page or of another file is, nothing is ever sent to %s", cmd.Sensor, cmd.Topic))
		case cmd.Batch != "" && batches == 0:
			all = append(all, well("on_crash_now: check this together with the file of batch %s, to see that its name fits: if none is called so, nothing is ever sent to %s", cmd.Batch, cmd.Topic))
		case cmd.Batch != "" && !called[cmd.Batch]:
			all = append(all, bad("on_crash_now: none of these batches is called %s; unless another one is, nothing is ever sent to %s", cmd.Batch, cmd.Topic))
		}
	}
	return all
}
