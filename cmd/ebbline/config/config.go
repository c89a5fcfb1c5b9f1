package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ebbline/ingest"
)

// Addresses that are listened on unless the file says otherwise.
const (
	DefaultMQTTListen = "127.0.0.1:1883"
	DefaultPageListen = "127.0.0.1:8080"
)

// Environment variables that may hold a secret whose _file is not given.
const (
	MQTTPasswordEnv = "EBBLINE_MQTT_PASSWORD"
	InfluxTokenEnv  = "EBBLINE_INFLUXDB_TOKEN"
	MailPasswordEnv = "EBBLINE_MAIL_PASSWORD"
)

// Config is the configuration of the daemon. What ends in File names a file, or
// holds $ and the name of an environment variable where Secret reads it.
type Config struct {
	// Data is the folder of everything that is kept.
	Data   string
	MQTT   MQTT
	Page   Page
	Notify []Channel
	Insist Insist
	Mirror Mirror
	Keep   Keep
	Alive  Alive
	// OnCrashNow are commands to the brewer's own equipment; none: off.
	OnCrashNow []Command
	// Quiet are the hours in which only what is urgent is told; nil: none.
	Quiet *Quiet
	// Zone is where the clock is read; nil: as on this machine.
	Zone  *time.Location
	Units Units
	// Level is the least that is logged: "debug", "info", "warn" or "error"; "": info.
	Level   string
	Sensors []ingest.Sensor
	// Batch stands in the same file, if it does.
	Batch *BatchFile

	fixed map[string]string // values of keys that need a restart, see NeedRestart
}

// MQTT is where readings come from.
type MQTT struct {
	// URL is an external broker: tcp, ssl, ws or wss. Empty: the embedded one.
	URL string
	// Listen is the address of the embedded broker.
	Listen   string
	Username string
	// PasswordFile holds the password; without it MQTTPasswordEnv may.
	PasswordFile string
	// Users may connect to the embedded broker, Username among them; none:
	// anyone on this machine.
	Users []User
	// CAFile, CertFile and KeyFile are PEM files. With URL they are used towards
	// that broker; else CertFile and KeyFile make the embedded one speak TLS.
	CAFile, CertFile, KeyFile string
}

// User may connect to the embedded broker.
type User struct {
	Name string
	// PasswordFile holds the password.
	PasswordFile string
	// Publish and Subscribe are topic filters. No Publish: topics that have the
	// name as one level; no Subscribe: nothing.
	Publish, Subscribe []string
	// All means that the user may do what anyone on this machine may where there
	// are no users.
	All bool
}

// Rights are the topic filters that the user may publish to and read.
func (u User) Rights() (publish, subscribe []string) {
	switch {
	case u.All:
		return []string{"#"}, []string{"#", "$SYS/#"}
	case len(u.Publish) == 0: // own topics, down to the third level
		return []string{u.Name + "/#", "+/" + u.Name + "/#", "+/+/" + u.Name + "/#"}, u.Subscribe
	}
	return u.Publish, u.Subscribe
}

// Page is the web page and the HTTP API.
type Page struct {
	Listen string
	// PublicURL is where a phone finds the page, for links in notifications;
	// without a slash at its end. Empty: not said.
	PublicURL string
	// Hosts are further names by which the page may be asked for.
	Hosts []string
	// Proxies are the networks of proxies whose X-Forwarded-For and -Proto are
	// believed, besides those on this machine.
	Proxies           []netip.Prefix
	CertFile, KeyFile string
}

// Insist is how long an unanswered crash-now waits before it is told again: the
// first time, and each time after it. Zero: 5 and 15 minutes.
type Insist struct{ First, Then time.Duration }

// Keep is how long every single reading is kept.
type Keep struct {
	// ThinAfter is the age from which readings are thinned; zero: never.
	ThinAfter time.Duration
}

// Bounds of thin_after_days: a batch is over in a month, and a century is never.
const (
	MinKeepDays = 30
	MaxKeepDays = 36500
)

// Mirror is where copies of the record go.
type Mirror struct{ InfluxDB InfluxDB }

// InfluxDB is a server that speaks the InfluxDB v2 write API.
type InfluxDB struct {
	URL         string // "" if there is no mirror
	Org, Bucket string
	// TokenFile holds the token; without it InfluxTokenEnv may.
	TokenFile string
}

// Default is the configuration of a daemon without a file. lookup is
// os.LookupEnv; the data folder follows the XDG Base Directory Specification.
func Default(lookup func(string) (string, bool)) (*Config, error) {
	data, err := stateFolder(lookup)
	if err != nil {
		return nil, err
	}
	return &Config{
		Data: data,
		MQTT: MQTT{Listen: DefaultMQTTListen},
		Page: Page{Listen: DefaultPageListen},
	}, nil
}

// stateFolder is $XDG_STATE_HOME/ebbline; a systemd unit's STATE_DIRECTORY
// goes first, because such a daemon has no home.
func stateFolder(lookup func(string) (string, bool)) (string, error) {
	if d, ok := lookup("STATE_DIRECTORY"); ok && filepath.IsAbs(d) {
		return strings.Split(d, ":")[0], nil
	}
	if d, ok := lookup("XDG_STATE_HOME"); ok && filepath.IsAbs(d) {
		return filepath.Join(d, "ebbline"), nil
	}
	if h, ok := lookup("HOME"); ok && filepath.IsAbs(h) {
		return filepath.Join(h, ".local", "state", "ebbline"), nil
	}
	return "", errors.New("no folder for the data: neither HOME nor XDG_STATE_HOME is set; set data in the configuration")
}

// Load reads a configuration file; the empty path is the configuration without
// one. The error is an Errors with every fault, or tells that the file cannot
// be read or has no text.
func Load(path string) (*Config, error) {
	if path == "" {
		return Default(os.LookupEnv)
	}
	data, err := ReadFile(path, "a configuration; without --config everything has a default")
	if err != nil {
		return nil, err
	}
	if Blank(data) {
		return nil, EmptyFile(path)
	}
	return Parse(path, data, os.LookupEnv)
}

// Blank reports whether a file has no text at all, not even a comment. Taken for the
// defaults it would be another data folder, and nobody to tell.
func Blank(data []byte) bool { return len(bytes.TrimSpace(data)) == 0 }

// EmptyFile is the fault of a configuration that is Blank.
func EmptyFile(path string) error {
	return fmt.Errorf("%s is empty, as a full disk leaves a file that is written anew; put its text back, or leave --config out for the defaults", path)
}

// ReadFile reads a file that a person named; wanted says what should stand in it.
func ReadFile(path, wanted string) ([]byte, error) {
	data, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, missing(fmt.Sprintf("there is no file %s; give the path of %s", path, wanted))
	case err != nil:
		return nil, fmt.Errorf("reading what was named: %w", err)
	}
	return data, nil
}

// missing says that a file does not exist in words of its own.
type missing string

func (m missing) Error() string { return string(m) }
func (m missing) Unwrap() error { return fs.ErrNotExist }

// Parse is Load for a text at hand; name stands for the file in errors. An
// empty text is the configuration without a file.
func Parse(name string, data []byte, lookup func(string) (string, bool)) (*Config, error) {
	r := &reader{file: name, lookup: lookup}
	c, homeless := Default(lookup)
	if homeless != nil {
		c = &Config{MQTT: MQTT{Listen: DefaultMQTTListen}, Page: Page{Listen: DefaultPageListen}}
	}
	if r.blank(data) {
		return c, homeless
	}
	top := r.root(data)
	if top == nil {
		return nil, r.errs
	}
	o := r.object(top, configKeys())
	if n := o.get("data"); n != nil {
		c.Data = r.path(n, "data", "a folder")
	} else if homeless != nil {
		r.fail(top, "%v", homeless)
	}
	r.mqtt(o, &c.MQTT)
	r.page(o, &c.Page)
	r.notify(o, c)
	r.insist(o, c)
	r.mirror(o, c)
	r.keep(o, c)
	r.alive(o, c)
	r.brewer(o, c)
	if n := o.get("log"); n != nil {
		c.Level = oneOf[string](r.object(n, logKeys()), "level")
	}
	c.Sensors = r.sensors(o.items("sensors"))
	r.onCrashNow(o, c)
	if n := o.get("batch"); n != nil {
		c.Batch = &BatchFile{Sensors: c.Sensors}
		r.batch(n, c.Batch, []Defined{Names(c.Sensors)})
	}
	if len(r.errs) > 0 {
		return nil, r.errs.sorted()
	}
	c.fixed = map[string]string{}
	fixedOf(o, "", c.fixed)
	if c.Batch == nil {
		return c, nil
	}
	var err error
	c.Batch.Raw, err = encodeSpec(*c.Batch)
	return c, err
}
