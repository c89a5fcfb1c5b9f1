package config

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"ebbline/ingest"
	"ebbline/projection"
)

// DefaultWithin is how long the beer may take to become colder after a command.
const DefaultWithin = 2 * time.Hour

// Command is what is published, once, when a batch's crash-now is raised: to
// the brewer's own switch or controller.
type Command struct {
	// Sensor or Batch, one of them, says whose crash-now: a sensor stands for the
	// vessel it is in; a batch is named by its ID or its name.
	Sensor, Batch string
	// Topic and Payload are sent as they stand; Payload may be empty.
	Topic, Payload string
	QoS            byte
	Retain         bool
	// Within is how long the beer may take to become colder.
	Within time.Duration
}

// Alive is who is told from time to time that the daemon does its work.
type Alive struct {
	URL string // it may hold a secret itself: never log it
	// URLFile holds the URL, where the configuration does not.
	URLFile string
	Every   time.Duration
}

// On reports whether anybody is told.
func (a Alive) On() bool { return a.URL != "" || a.URLFile != "" }

// Command is what is to be sent at the crash-now of a batch, nil if nothing is:
// the first in the file that fits.
func (c *Config) Command(b projection.Batch) *Command {
	for i := range c.OnCrashNow {
		if cmd := &c.OnCrashNow[i]; cmd.fits(b) {
			return cmd
		}
	}
	return nil
}

func (c *Command) fits(b projection.Batch) bool {
	if c.Batch != "" {
		return c.Batch == b.ID || c.Batch == b.Name
	}
	for _, s := range b.Sensors {
		if s == c.Sensor {
			return true
		}
	}
	return false
}

// Whose says of which batch it is.
func (c *Command) Whose() string {
	if c.Batch != "" {
		return "batch " + c.Batch
	}
	return "the batch of sensor " + c.Sensor
}

func (r *reader) alive(top object, c *Config) {
	n := top.get("alive")
	if n == nil {
		return
	}
	o := r.object(n, aliveKeys())
	switch u := o.need("url"); {
	case u == nil:
	case u.Kind == yaml.MappingNode:
		c.Alive.URLFile = r.object(u, urlFileKeys("url")()).needSecret("url")
	default:
		c.Alive.URL = r.address(u, "url", "http", "https")
	}
	c.Alive.Every = o.duration("every")
}

func (r *reader) onCrashNow(top object, c *Config) {
	whose := map[string]bool{}
	for _, item := range top.items("on_crash_now") {
		o := r.object(item, commandKeys())
		cmd := Command{Sensor: o.text("sensor", ""), Batch: o.text("batch", ""), Retain: o.flag("retain")}
		if item.Kind != yaml.MappingNode {
			continue
		}
		switch {
		case (cmd.Sensor == "") == (cmd.Batch == ""):
			r.fail(item, "on_crash_now: say whose crash it is, by sensor: or by batch:, one of them")
		case whose[cmd.Whose()]:
			r.fail(item, "on_crash_now: %s stands twice; one command for each", cut(cmd.Whose()))
		}
		whose[cmd.Whose()] = true
		if v := o.need("topic"); v != nil {
			cmd.Topic = r.commandTopic(v, c.Sensors)
		}
		if v := o.need("payload"); v != nil {
			cmd.Payload = r.payload(v)
		}
		cmd.QoS = r.qos(o)
		cmd.Within = o.duration("within")
		c.OnCrashNow = append(c.OnCrashNow, cmd)
	}
}

// commandTopic reads a topic that can be published to, is not one of ours, and
// no device's: what comes from there is taken for our own command.
func (r *reader) commandTopic(n *yaml.Node, sensors []ingest.Sensor) string {
	s := r.scalar(n, "topic", "a topic such as cellar/cooler/set")
	switch err := ingest.ValidFilter(s); {
	case s == "":
	case err != nil:
		r.fail(n, "topic: %v", err)
	case strings.ContainsAny(s, "+#"):
		r.fail(n, "topic: %q holds a wildcard; a command goes to one topic", cut(s))
	case strings.HasPrefix(s, "$") || ingest.Own(s):
		r.fail(n, "topic: %q is not for commands: topics under $ are the broker's, those under ebbline/batch/ ebbline's own", cut(s))
	}
	for _, o := range sensors {
		if s != "" && o.Topic == s {
			r.fail(n, "topic: %q is what sensor %s listens to; a command needs a topic of its own", cut(s), o.Name)
		}
	}
	return s
}

// payload reads a text that is sent as it stands.
func (r *reader) payload(n *yaml.Node) string {
	const longest = 4096
	switch {
	case n.Kind != yaml.ScalarNode:
		r.fail(n, `payload: text is needed here; put JSON into quotes, as in payload: '{"cool": true}'`)
		return ""
	case len(n.Value) > longest || !utf8.ValidString(n.Value):
		r.fail(n, "payload: text of at most %d bytes", longest)
	}
	return n.Value
}

func (r *reader) qos(o object) byte {
	n := o.get("qos")
	if n == nil {
		return 1
	}
	x, ok := r.number(n, "qos")
	if ok && x != 0 && x != 1 && x != 2 {
		r.fail(n, "qos: %s; 0, 1 or 2", cut(n.Value))
		return 1
	}
	return byte(x)
}

// DryRun says in plain words what a command would do; nothing is sent by it.
func (c *Command) DryRun() string {
	kept := "not kept by the broker"
	if c.Retain {
		kept = "kept by the broker for whoever connects later"
	}
	return fmt.Sprintf("on crash-now of %s ebbline would publish %#q to %s (QoS %d, %s), once; if the beer is not colder within %s, the phone is told",
		c.Whose(), c.Payload, c.Topic, c.QoS, kept, Span(c.Within))
}
