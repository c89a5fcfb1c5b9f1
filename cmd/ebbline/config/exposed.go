package config

import "fmt"

// Exposed says what of the daemon others on the network can reach without TLS,
// and what to do; nothing if it keeps to this machine.
func (c *Config) Exposed() (all []string) {
	if c.Page.CertFile == "" && !loopback(c.Page.Listen) {
		all = append(all, fmt.Sprintf("page.listen %s: everybody on the network reaches the page, without TLS. It asks for its password, but whoever listens in can read that; "+
			"set page.cert_file and page.key_file, or listen on 127.0.0.1 behind a proxy with TLS", c.Page.Listen))
	}
	if c.MQTT.URL == "" && c.MQTT.CertFile == "" && !loopback(c.MQTT.Listen) {
		all = append(all, fmt.Sprintf("mqtt.listen %s: devices log in from the network without TLS; whoever listens in can read their passwords. "+
			"If the devices can, set mqtt.cert_file and mqtt.key_file", c.MQTT.Listen))
	}
	return all
}
