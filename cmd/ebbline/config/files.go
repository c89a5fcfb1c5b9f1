package config

// NamedFile is a file that a configuration names.
type NamedFile struct {
	// Key says where, such as mqtt.password_file.
	Key string
	// Name of the file; $ and a name: an environment variable.
	Name string
	// Secret: nobody else should read it.
	Secret bool
}

// Files lists every file and variable that the configuration names.
func (c *Config) Files() []NamedFile {
	var all []NamedFile
	add := func(key, name string, secret bool) {
		if name != "" {
			all = append(all, NamedFile{key, name, secret})
		}
	}
	embedded := c.MQTT.URL == ""
	add("mqtt.ca_file", c.MQTT.CAFile, false)
	add("mqtt.cert_file", c.MQTT.CertFile, false)
	add("mqtt.key_file", c.MQTT.KeyFile, true)
	if !embedded {
		add("mqtt password", c.MQTT.PasswordFile, true)
	}
	for _, u := range c.MQTT.Users {
		add("password of the broker's user "+u.Name, u.PasswordFile, true)
	}
	add("page.cert_file", c.Page.CertFile, false)
	add("page.key_file", c.Page.KeyFile, true)
	for _, ch := range c.Notify {
		add("address of "+ch.Name, ch.URLFile, true)
		add("token of "+ch.Name, ch.TokenFile, true)
		add("secret of "+ch.Name, ch.SecretFile, true)
		add("authorities of "+ch.Name, ch.CAFile, false)
		add("password of "+ch.Name, ch.Mail.PasswordFile, true)
		add("authorities of "+ch.Name, ch.Mail.CAFile, false)
	}
	add("mirror token", c.Mirror.InfluxDB.TokenFile, true)
	add("address of alive", c.Alive.URLFile, true)
	return all
}
