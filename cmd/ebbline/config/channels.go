package config

import (
	"fmt"
	"net"
	"net/mail"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"go.yaml.in/yaml/v4"
)

// Channel is one way to reach a person. Their order is that of the ladder.
type Channel struct {
	// Name is unique.
	Name string
	// Kind is "webhook", "ntfy", "mail" or "shoutrrr".
	Kind string
	// URL of all but mail may hold a secret itself (a topic, a token): never log it.
	URL string
	// URLFile holds the URL, where the configuration does not.
	URLFile string
	// TokenFile holds a bearer token; "" if none is needed.
	TokenFile string
	// CAFile holds the authorities of a webhook's or ntfy's own certificate, PEM.
	CAFile string
	// SecretFile holds the key by which a webhook's body is signed; "": it is not.
	SecretFile string
	Mail       Mail
	// Severities that are sent; empty: all.
	Severities []string
	// After is how long an alert stays unanswered before it goes out here.
	After time.Duration
	// Second is a channel that stands in for those before it, and is told itself
	// of what is urgent after After: any but the first unless the file says when it
	// is told.
	Second bool
	// PerHour bounds messages that are not urgent; 0: the default of deliver.
	PerHour int
	// Place is where the channel stands in the file, for errors found later.
	Place string
}

// Mail is a mail server and who writes to whom by it.
type Mail struct {
	Server string // host:port
	TLS    string // "starttls", "tls" or "none"
	User   string
	// PasswordFile holds the password; without it MailPasswordEnv may.
	PasswordFile string
	CAFile       string // PEM; "": the system's authorities
	From         string
	To           []string
}

// secondAfter is the usual wait of the second channel (design §5).
const secondAfter = 15 * time.Minute

// Channels are the names of the ways to reach a person, in the order of the file.
func (c *Config) Channels() []string {
	names := make([]string, len(c.Notify))
	for i, ch := range c.Notify {
		names[i] = ch.Name
	}
	return names
}

// severities as contract §6 names them.
func severities() []string { return []string{"info", "warning", "urgent"} }

func channelKinds() []string { return []string{"webhook", "ntfy", "mail", "shoutrrr"} }

func (r *reader) notify(top object, c *Config) {
	names, before := map[string]bool{}, len(r.errs)
	for i, item := range top.items("notify") {
		o := r.object(item, notifyKeys())
		ch := Channel{Place: fmt.Sprintf("%s:%d:%d", r.file, item.Line, item.Column)}
		r.channelKind(o, &ch)
		if ch.Kind == "" && item.Kind == yaml.MappingNode {
			r.fail(item, "notify: each entry is one of webhook:, ntfy: or shoutrrr: with its URL, or mail: with its server")
		}
		ch.Name = r.channelName(o, ch.Kind, names)
		r.onlyOf(o, ch.Kind, []string{"token_file", "token_env", "ca_file"}, "webhook", "ntfy")
		r.onlyOf(o, ch.Kind, []string{"secret_file", "secret_env"}, "webhook")
		ch.TokenFile, ch.SecretFile, ch.CAFile = o.secret("token"), o.secret("secret"), o.file("ca_file")
		r.rung(o, i, &ch)
		c.Notify = append(c.Notify, ch)
	}
	if n := top.get("notify"); n != nil && len(c.Notify) > 0 && len(r.errs) == before && !slices.ContainsFunc(c.Notify, ringsAtOnce) {
		r.fail(n, "notify: no channel takes urgent alerts at once, so that crash-now would ring late or nowhere; let one have severities with urgent, or none, and no after")
	}
}

// ringsAtOnce holds for a channel whose phone rings as soon as it must.
func ringsAtOnce(c Channel) bool {
	return c.After == 0 && (len(c.Severities) == 0 || slices.Contains(c.Severities, "urgent"))
}

func (r *reader) channelKind(o object, ch *Channel) {
	for _, kind := range channelKinds() {
		v := o.get(kind)
		if v == nil {
			continue
		}
		if ch.Kind != "" {
			r.fail(v, "notify: one channel an entry; start a new one with - %s:", kind)
			continue
		}
		ch.Kind = kind
		switch {
		case kind == "mail":
			ch.Mail = r.mail(v)
		case v.Kind == yaml.MappingNode:
			u := r.object(v, urlFileKeys(kind)())
			ch.URLFile = u.needSecret("url")
		case kind == "shoutrrr":
			ch.URL = r.service(v)
		default:
			ch.URL = r.address(v, kind, "http", "https")
		}
	}
}

// service reads an address as shoutrrr has them. Nothing of it but the name of
// the service is repeated: it holds tokens.
func (r *reader) service(n *yaml.Node) string {
	s := r.scalar(n, "shoutrrr", "an address SERVICE://…")
	if s == "" {
		return ""
	}
	services := (&router.ServiceRouter{}).ListServices()
	services = slices.DeleteFunc(services, func(s string) bool { return s == "logger" }) // it reaches nobody
	slices.Sort(services)
	scheme, _, ok := strings.Cut(s, "://")
	name, _, _ := strings.Cut(scheme, "+")
	switch {
	case !ok:
		r.fail(n, "shoutrrr: an address begins with the name of a service and ://, such as %s://", services[0])
	case !slices.Contains(services, strings.ToLower(name)):
		hint := ""
		if near := nearest(name, services); near != "" {
			hint = fmt.Sprintf(" (did you mean %q?)", near)
		}
		r.fail(n, "shoutrrr: no service %q is known%s; one of %s", cut(name), hint, strings.Join(services, ", "))
	}
	return s
}

func (r *reader) mail(n *yaml.Node) Mail {
	o := r.object(n, mailKeys())
	m := Mail{User: o.text("user", ""), PasswordFile: o.secret("password"), CAFile: o.file("ca_file")}
	usual := "starttls"
	if v := o.need("server"); v != nil {
		m.Server = r.scalar(v, "server", "a server such as smtp.example:587")
		host, port, err := net.SplitHostPort(m.Server)
		if p, bad := strconv.Atoi(port); m.Server != "" && (err != nil || host == "" || bad != nil || p < 1 || p > 65535) {
			r.fail(v, "server: %q is not host:port, such as smtp.example:587", cut(m.Server))
		}
		if port == "465" { // RFC 8314 §3.3
			usual = "tls"
		}
	}
	if m.TLS = usual; o.get("tls") != nil {
		m.TLS = oneOf[string](o, "tls")
	}
	if v := o.get("tls"); v != nil && m.TLS == "none" && m.Server != "" && !loopback(m.Server) {
		r.fail(v, "tls: none is for a server on this machine only; use starttls or tls")
	}
	if v := o.get("password_file"); v != nil && m.User == "" {
		r.fail(v, "mail: password_file needs user beside it")
	}
	if v := o.need("from"); v != nil {
		m.From = r.mailAddress(v, "from")
	}
	if o.need("to") == nil {
		return m
	}
	for _, v := range o.items("to") {
		m.To = append(m.To, r.mailAddress(v, "to"))
	}
	if v := o.get("to"); v.Kind == yaml.SequenceNode && len(m.To) == 0 {
		r.fail(v, "to: nobody stands here; for example [orla@cellar.example]")
	}
	return m
}

func (r *reader) mailAddress(n *yaml.Node, key string) string {
	s := r.scalar(n, key, "a mail address such as orla@cellar.example")
	if s == "" {
		return ""
	}
	if _, err := mail.ParseAddress(s); err != nil {
		r.fail(n, "%s: %q is not a mail address such as orla@cellar.example", key, cut(s))
	}
	return s
}

// rung reads the channel's place on the ladder; i counts from 0.
func (r *reader) rung(o object, i int, ch *Channel) {
	for _, v := range o.items("severities") {
		s := r.scalar(v, "severities", "one of info, warning, urgent")
		if s != "" && !slices.Contains(severities(), s) {
			r.fail(v, "severities: %q; one of %s", cut(s), strings.Join(severities(), ", "))
		}
		ch.Severities = append(ch.Severities, s)
	}
	if v := o.get("severities"); v != nil && v.Kind == yaml.SequenceNode && len(v.Content) == 0 {
		r.fail(v, "severities: an empty list would send nothing; leave the key out for all, or name some of %s", strings.Join(severities(), ", "))
	}
	ch.After = o.duration("after")
	if i > 0 && len(ch.Severities) == 0 {
		if o.get("after") == nil {
			ch.After = secondAfter
		}
		ch.Second = ch.After > 0
	}
	if v := o.get("per_hour"); v != nil {
		n, ok := r.number(v, "per_hour")
		if ch.PerHour = int(n); ok && (n != float64(ch.PerHour) || n < 1 || n > 1000) {
			r.fail(v, "per_hour: %g; a whole number of messages, 1 to 1000", n)
		}
	}
}

// onlyOf refuses keys that only other kinds of channel have a use for.
func (r *reader) onlyOf(o object, kind string, keys []string, kinds ...string) {
	for _, key := range keys {
		if v := o.get(key); v != nil && kind != "" && !slices.Contains(kinds, kind) {
			r.fail(v, "%s: %s has no use for it, only %s", key, kind, strings.Join(kinds, " and "))
		}
	}
}

// channelName is the given name, or the kind with a number from the second on.
func (r *reader) channelName(o object, kind string, taken map[string]bool) string {
	v := o.get("name")
	name := o.text("name", kind)
	if v != nil && taken[name] {
		r.fail(v, "name: %q is already the name of another channel", cut(name))
	}
	for i := 2; v == nil && taken[name]; i++ {
		name = fmt.Sprintf("%s-%d", kind, i)
	}
	taken[name] = true
	return name
}
