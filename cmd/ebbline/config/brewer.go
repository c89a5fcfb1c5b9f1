package config

import (
	"fmt"
	"time"
	_ "time/tzdata" // so that timezone works where the system has no zone files, as in a bare container

	"go.yaml.in/yaml/v4"
)

// Quiet are the hours in which the brewer sleeps, over midnight if To is before
// From; they differ.
type Quiet struct{ From, To Clock }

// Clock is a time of day in minutes after midnight, 0 to 1439.
type Clock int

// String writes the clock as a file does: "22:30".
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// Units are the scales in which gravities and temperatures are told; false: SG
// and °C.
type Units struct{ Plato, Fahrenheit bool }

// quiet reads {from: 22:30, to: 06:30}.
func (r *reader) quiet(n *yaml.Node) *Quiet {
	o := r.object(n, quietKeys())
	from, to := o.need("from"), o.need("to")
	if from == nil || to == nil {
		return nil
	}
	before := len(r.errs)
	q := &Quiet{r.clock(from, "from"), r.clock(to, "to")}
	if q.From == q.To && len(r.errs) == before {
		r.fail(n, "quiet: from and to are both %s; give two different times of day", q.From)
	}
	return q
}

func (r *reader) clock(n *yaml.Node, key string) Clock {
	s := r.scalar(n, key, `a time of day such as "22:30"`)
	if s == "" {
		return 0
	}
	t, err := time.Parse("15:04", s)
	if err != nil {
		r.fail(n, "%s: %q is not a time of day; write it as \"22:30\", from \"00:00\" to \"23:59\"", key, cut(s))
	}
	return Clock(t.Hour()*60 + t.Minute())
}

// brewer reads how the brewer reads clocks and numbers, and when they sleep.
func (r *reader) brewer(top object, c *Config) {
	if n := top.get("quiet"); n != nil {
		c.Quiet = r.quiet(n)
	}
	if n := top.get("timezone"); n != nil {
		if name := r.scalar(n, "timezone", "a zone such as Europe/Rome"); name != "" {
			zone, err := time.LoadLocation(name)
			if err != nil {
				r.fail(n, "timezone: %q is not known; a name of the IANA time zone database, such as Europe/Rome or UTC", cut(name))
			}
			c.Zone = zone
		}
	}
	if n := top.get("units"); n != nil {
		o := r.object(n, unitsKeys())
		c.Units.Plato = oneOf[string](o, "gravity") == "plato"
		c.Units.Fahrenheit = oneOf[string](o, "temperature") == "degF"
	}
}

// Location is where the brewer reads the clock: the configured zone, or the
// machine's.
func (c *Config) Location() *time.Location {
	if c.Zone == nil {
		return time.Local
	}
	return c.Zone
}
