package config

import (
	"cmp"
	"math"
	"net"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"ebbline/ingest"
)

func (r *reader) mqtt(top object, m *MQTT) {
	n := top.get("mqtt")
	if n == nil {
		return
	}
	o := r.object(n, mqttKeys())
	if v := o.get("url"); v != nil {
		m.URL = r.address(v, "url", "tcp", "ssl", "ws", "wss")
	}
	if v := o.get("listen"); v != nil {
		m.Listen = r.listen(v)
	}
	m.Username = o.text("username", "")
	m.PasswordFile = o.secret("password")
	m.CAFile, m.CertFile, m.KeyFile = o.file("ca_file"), o.file("cert_file"), o.file("key_file")
	for _, item := range o.items("users") {
		u := r.object(item, userKeys())
		user := User{}
		if v := u.need("name"); v != nil {
			user.Name = r.scalar(v, "name", "text")
			if slices.ContainsFunc(m.Users, func(o User) bool { return o.Name == user.Name }) {
				r.fail(v, "users: %q stands twice", cut(user.Name))
			}
		}
		user.PasswordFile = u.needSecret("password")
		if v := u.get("name"); v != nil && u.get("publish") == nil && (strings.ContainsAny(user.Name, "+#$") || ingest.ValidFilter(user.Name+"/#") != nil) {
			r.fail(v, "name: %q cannot stand in a topic; name the topics under publish, or use a name such as float-1", cut(user.Name))
		}
		user.Publish, user.Subscribe = r.filters(u, "publish"), r.filters(u, "subscribe")
		m.Users = append(m.Users, user)
	}
	r.mqttTogether(o, m)
}

// mqttTogether checks what one key means for another. With url, listen has no
// effect; without it, username and password_file are a user of the embedded one.
func (r *reader) mqttTogether(o object, m *MQTT) {
	if v := o.get("users"); v != nil && m.URL != "" {
		r.fail(v, "mqtt: users are those of the embedded broker; with url, username and password_file say who we are")
	}
	if v := o.get("username"); v != nil && m.URL == "" {
		if m.PasswordFile == "" {
			r.fail(v, "mqtt: the embedded broker's user needs password_file or password_env beside username")
		}
		m.Users = append(m.Users, User{Name: m.Username, PasswordFile: m.PasswordFile, All: true})
	}
	if v := o.get("listen"); v != nil && m.URL == "" && len(m.Users) == 0 && m.Listen != "" && !loopback(m.Listen) {
		r.fail(v, "listen: %s can be reached from other machines; add users: [{name: float, password_file: /etc/ebbline/float}], or listen on 127.0.0.1", m.Listen)
	}
	if v := o.get("ca_file"); v != nil && m.URL == "" && m.CertFile == "" {
		r.fail(v, "mqtt: ca_file asks the embedded broker's clients for certificates; it needs cert_file and key_file of its own beside it")
	}
	r.pair(o)
}

// filters reads the topic filters that a user may publish to or read.
func (r *reader) filters(o object, key string) (all []string) {
	for _, n := range o.items(key) {
		s := r.scalar(n, key, "a topic or topic filter such as cellar/float/#")
		if s == "" {
			continue
		}
		if err := ingest.ValidFilter(s); err != nil {
			r.fail(n, "%s: %v", key, err)
		} else if key == "publish" && ingest.Own(s) {
			r.fail(n, "%s: topics under ebbline/batch/ are what ebbline itself publishes; name another", key)
		}
		all = append(all, s)
	}
	if n := o.get(key); n != nil && n.Kind == yaml.SequenceNode && len(n.Content) == 0 && key == "publish" {
		r.fail(n, "publish: an empty list would let this user publish nowhere; leave the key out for topics with the user's name as one level, or name some, such as [cellar/float/#]")
	}
	return all
}

// pair checks that certificate and key come together.
func (r *reader) pair(o object) {
	c, k := o.get("cert_file"), o.get("key_file")
	switch {
	case c != nil && k == nil:
		r.fail(c, "%s: cert_file needs key_file beside it", o.name)
	case c == nil && k != nil:
		r.fail(k, "%s: key_file needs cert_file beside it", o.name)
	}
}

func (r *reader) page(top object, p *Page) {
	n := top.get("page")
	if n == nil {
		return
	}
	o := r.object(n, pageKeys())
	if v := o.get("listen"); v != nil {
		p.Listen = r.listen(v)
	}
	if v := o.get("public_url"); v != nil {
		p.PublicURL = strings.TrimRight(r.address(v, "public_url", "http", "https"), "/")
	}
	for _, v := range o.items("hosts") {
		p.Hosts = append(p.Hosts, r.scalar(v, "hosts", "a host name"))
	}
	for _, v := range o.items("proxies") {
		text := r.scalar(v, "proxies", "an address or a network")
		net, err := netip.ParsePrefix(text)
		if one, wrong := netip.ParseAddr(text); wrong == nil {
			net, err = one.Unmap().Prefix(one.Unmap().BitLen())
		}
		if err != nil && text != "" {
			r.fail(v, "proxies: %q is no address; want one such as 192.0.2.7, or a network such as 192.0.2.0/24", text)
		}
		p.Proxies = append(p.Proxies, net.Masked())
	}
	p.CertFile, p.KeyFile = o.file("cert_file"), o.file("key_file")
	r.pair(o)
}

// insist reads how soon an unanswered crash-now is told again.
func (r *reader) insist(top object, c *Config) {
	if n := top.get("insist"); n != nil {
		o := r.object(n, insistKeys())
		c.Insist.First = o.duration("first")
		c.Insist.Then = o.duration("then")
	}
}

// keep reads how long every single reading is kept.
func (r *reader) keep(top object, c *Config) {
	n := top.get("keep")
	if n == nil {
		return
	}
	v := r.object(n, keepKeys()).get("thin_after_days")
	if v == nil {
		return
	}
	days, ok := r.number(v, "thin_after_days")
	if ok && (days != math.Trunc(days) || days < MinKeepDays || days > MaxKeepDays) {
		r.fail(v, "thin_after_days: %g; a whole number of days, %d to %d; leave it out to keep every reading", days, MinKeepDays, MaxKeepDays)
		return
	}
	c.Keep.ThinAfter = time.Duration(days) * 24 * time.Hour
}

func (r *reader) mirror(top object, c *Config) {
	n := top.get("mirror")
	if n == nil {
		return
	}
	v := r.object(n, mirrorKeys()).get("influxdb")
	if v == nil {
		return
	}
	o := r.object(v, influxKeys())
	m := InfluxDB{Org: o.text("org", ""), TokenFile: o.secret("token")}
	if u := o.need("url"); u != nil {
		m.URL = r.address(u, "url", "http", "https")
	}
	if b := o.need("bucket"); b != nil {
		m.Bucket = r.scalar(b, "bucket", "text")
	}
	c.Mirror.InfluxDB = m
}

// address reads a URL with a host and one of the schemes. Its text is not
// repeated in errors beyond scheme and host, for it may hold a secret.
func (r *reader) address(n *yaml.Node, key string, schemes ...string) string {
	s := r.scalar(n, key, "a URL")
	if s == "" {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "":
		if m := bareHost.FindStringSubmatch(s); m != nil && schemes[0] == "tcp" {
			r.fail(n, "%s: not a URL; did you mean tcp://%s:%s?", key, m[1], cmp.Or(m[2], "1883"))
			break
		}
		r.fail(n, "%s: not a URL; for example %s://host.example:1234", key, schemes[0])
	case !slices.Contains(schemes, u.Scheme):
		r.fail(n, "%s: scheme %q; one of %s", key, cut(u.Scheme), strings.Join(schemes, ", "))
	case u.User != nil:
		r.fail(n, "%s: no password in a URL; use username and password_file, or token_file", key)
	}
	return s
}

// bareHost is a broker's name or address without scheme, perhaps with a port.
var bareHost = regexp.MustCompile(`^([A-Za-z0-9][A-Za-z0-9.-]{0,252}|\[[0-9A-Fa-f:.]+\])(?::(\d{1,5}))?/?$`)

// listen reads an address to listen on, host:port.
func (r *reader) listen(n *yaml.Node) string {
	s := r.scalar(n, "listen", "an address such as 127.0.0.1:8080")
	if s == "" {
		return ""
	}
	_, port, err := net.SplitHostPort(s)
	if err != nil {
		r.fail(n, "listen: %q is not host:port, such as 127.0.0.1:8080 or [::1]:8080", cut(s))
		return ""
	}
	if p, err := strconv.Atoi(port); err != nil || p < 0 || p > 65535 {
		r.fail(n, "listen: port %q; 0 (any free one) to 65535", cut(port))
	}
	return s
}

// loopback reports whether only this machine can reach the address.
func loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// blank reports whether a text holds nothing but spaces and comments.
func (r *reader) blank(data []byte) bool {
	for line := range strings.Lines(string(data)) {
		if t := strings.TrimSpace(line); t != "" && t[0] != '#' && t != "---" {
			return false
		}
	}
	return true
}
