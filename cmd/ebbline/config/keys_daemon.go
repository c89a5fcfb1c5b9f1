package config

import "slices"

// configKeys are the keys of a configuration (contract §8), and what joined them.
func configKeys() Keys {
	return Keys{Name: "configuration", Keys: []Key{
		{Name: "data", Kind: Folder, Default: "the XDG state folder", Example: "/var/lib/ebbline", Restart: true, Doc: "folder of the record and of everything else that is kept"},
		{Name: "mqtt", Kind: Object, Of: mqttKeys, Doc: "where readings come from"},
		{Name: "page", Kind: Object, Of: pageKeys, Doc: "the web page and the HTTP API"},
		{Name: "notify", Kind: List, Item: listOf(Key{Kind: Object, Of: notifyKeys}), Doc: "channels by which people are told, from the ladder's first rung on"},
		{Name: "insist", Kind: Object, Of: insistKeys, Doc: "how soon an unanswered crash-now is told again"},
		{Name: "mirror", Kind: Object, Of: mirrorKeys, Doc: "where copies of the record go"},
		{Name: "keep", Kind: Object, Of: keepKeys, Doc: "how long every single reading is kept"},
		{Name: "alive", Kind: Object, Of: aliveKeys, Doc: "who outside is told from time to time that the daemon does its work"},
		{Name: "on_crash_now", Kind: List, Item: listOf(Key{Kind: Object, Of: commandKeys}), Doc: "commands to your own switch, sent once at each crash-now"},
		{Name: "quiet", Kind: Object, Of: quietKeys, Doc: "hours in which only what is urgent is told"},
		{Name: "timezone", Kind: Zone, Default: "the machine's", Example: "Europe/Rome", Restart: true, Doc: "where clocks are read, a name of the IANA time zone database"},
		{Name: "units", Kind: Object, Of: unitsKeys, Doc: "scales in which messages and page tell values"},
		{Name: "log", Kind: Object, Of: logKeys, Doc: "what is written to standard error"},
		{Name: "sensors", Kind: List, Item: listOf(Key{Kind: Object, Of: sensorKeys}), Doc: "which topics are listened to, and where in a payload values stand"},
		{Name: "batch", Kind: Object, Of: batchKeys, Restart: true, Doc: "a batch that is started with the daemon, once"},
	}}
}

func mqttKeys() Keys {
	return Keys{Name: "mqtt", Keys: slices.Concat([]Key{
		{Name: "url", Kind: Address, Words: []string{"tcp", "ssl", "ws", "wss"}, Default: "the embedded broker", Example: "tcp://broker.example:1883", Restart: true, Doc: "an external broker"},
		{Name: "listen", Kind: Listen, Default: DefaultMQTTListen, Example: "0.0.0.0:1883", Restart: true, Doc: "address of the embedded broker"},
		{Name: "username", Kind: Text, Default: "none", Example: "ebbline", Restart: true, Doc: "login at the external broker; without url a user of the embedded one who may publish and read everything"},
	}, secretKeys("password", "/etc/ebbline/mqtt", Key{Default: "none", Restart: true, Doc: "its password"}), []Key{
		{Name: "users", Kind: List, Item: listOf(Key{Kind: Object, Of: userKeys}), Default: "anyone on this machine", Doc: "who may connect to the embedded broker"},
		{Name: "ca_file", Kind: File, Default: "the system's authorities", Example: "/etc/ebbline/ca.pem", Restart: true, Doc: "PEM file of the authorities that may vouch for an external broker; without url: for the clients of the embedded one, each of which then needs a certificate"},
		{Name: "cert_file", Kind: File, Default: "none", Example: "/etc/ebbline/mqtt-cert.pem", Restart: true, Doc: "PEM certificate: ours towards an external broker, or the embedded one's, which then speaks TLS only; renewed files of the embedded one are taken up by themselves"},
		{Name: "key_file", Kind: File, Default: "none", Example: "/etc/ebbline/mqtt-key.pem", Restart: true, Doc: "its private key, PEM"},
	}), Together: []any{pairOf(), schema{"not": needs("url", "users")}}}
}

func userKeys() Keys {
	return Keys{Name: "user", Keys: slices.Concat([]Key{
		{Name: "name", Kind: Text, Need: true, Example: "float", Doc: "user name"},
	}, secretKeys("password", "/etc/ebbline/float", Key{Need: true, Doc: "its password"}), []Key{
		{Name: "publish", Kind: List, Low: 1, Item: listOf(Key{Kind: TopicFilter, Example: "cellar/float/#"}), Default: "topics with the user's name as one level, such as cellar/NAME or NAME/data", Doc: "topics the user may publish to, its last will included"},
		{Name: "subscribe", Kind: List, Item: listOf(Key{Kind: TopicFilter, Example: "ebbline/#"}), Default: "none", Doc: "topics the user may read"},
	})}
}

func pageKeys() Keys {
	return Keys{Name: "page", Keys: []Key{
		{Name: "listen", Kind: Listen, Default: DefaultPageListen, Example: "0.0.0.0:8080", Restart: true, Doc: "address of the page"},
		{Name: "public_url", Kind: Address, Words: []string{"http", "https"}, Default: "the page's own", Example: "https://cellar.example", Restart: true, Doc: "where links in notifications lead, and by which name a proxy is asked"},
		{Name: "hosts", Kind: List, Item: listOf(Key{Kind: HostName, Example: "cellar.lan"}), Default: "none", Restart: true, Doc: "further names by which the page may be asked for"},
		{Name: "proxies", Kind: List, Item: listOf(Key{Kind: Network, Example: "192.0.2.7"}), Default: "this machine", Restart: true, Doc: "proxies on other machines whose X-Forwarded-For and -Proto are believed"},
		{Name: "cert_file", Kind: File, Default: "plain HTTP", Example: "/etc/ebbline/cert.pem", Restart: true, Doc: "PEM certificate; renewed files are taken up by themselves"},
		{Name: "key_file", Kind: File, Default: "plain HTTP", Example: "/etc/ebbline/key.pem", Restart: true, Doc: "its private key, PEM"},
	}, Together: []any{pairOf()}}
}

func notifyKeys() Keys {
	return Keys{Name: "notify", Keys: slices.Concat([]Key{
		{Name: "webhook", Kind: Address, Words: []string{"http", "https"}, Of: urlFileKeys("webhook"), Example: "http://127.0.0.1:9000/hook", Doc: "a program of your own; its request's body is described in the README"},
		{Name: "ntfy", Kind: Address, Words: []string{"http", "https"}, Of: urlFileKeys("ntfy"), Example: "https://ntfy.example/long-random-topic", Doc: "a topic of an ntfy server"},
		{Name: "mail", Kind: Object, Of: mailKeys, Doc: "letters by a mail server"},
		{Name: "shoutrrr", Kind: Service, Of: urlFileKeys("shoutrrr"), Example: "generic://chat.example/hook", Doc: "a service's address as the library of that name documents it"},
		{Name: "name", Kind: Text, Default: "the kind, numbered from the second on", Example: "phone", Doc: "what messages and page call the channel; lasting"},
	}, secretKeys("token", "/etc/ebbline/token", Key{Default: "none", Doc: "bearer token of a webhook or ntfy"}), secretKeys("secret", "/etc/ebbline/key", Key{Default: "none: not signed", Doc: "key by which a webhook's body is signed"}), []Key{
		{Name: "ca_file", Kind: File, Default: "the system's authorities", Example: "/etc/ebbline/ca.pem", Doc: "PEM file of the authorities that may vouch for a webhook or ntfy"},
		{Name: "severities", Kind: List, Low: 1, Item: listOf(Key{Kind: Word, Words: severities(), Example: "urgent"}), Default: "all", Doc: "what is sent by this channel"},
		{Name: "after", Kind: TimeSpan, Low: 0, High: 12 * hour, Default: "0s for the first channel, 15m for the others", Example: "45m", Doc: "only what is unanswered for so long"},
		{Name: "per_hour", Kind: Whole, Low: 1, High: 1000, Default: "20", Example: "20", Doc: "bound of messages that are not urgent; what waits is told later"},
	}), Together: []any{oneOfKeys(channelKinds()...)}}
}

func urlFileKeys(kind string) func() Keys {
	return func() Keys {
		return Keys{Name: kind, Keys: secretKeys("url", "/etc/ebbline/"+kind, Key{Need: true, Doc: "the address, where that is a secret"})}
	}
}

func mailKeys() Keys {
	return Keys{Name: "mail", Keys: slices.Concat([]Key{
		{Name: "server", Kind: HostPort, Need: true, Example: "smtp.example:587", Doc: "mail server"},
		{Name: "tls", Kind: Word, Words: []string{"starttls", "tls", "none"}, Default: "starttls; tls on port 465", Example: "starttls", Doc: "encryption; none only for a server on this machine"},
		{Name: "user", Kind: Text, Default: "no login", Example: "orla", Doc: "login at the server"},
	}, secretKeys("password", "/etc/ebbline/mail", Key{Default: "none", Doc: "its password"}), []Key{
		{Name: "ca_file", Kind: File, Default: "the system's authorities", Example: "/etc/ebbline/ca.pem", Doc: "PEM file of the authorities that may vouch for the server"},
		{Name: "from", Kind: MailAddress, Need: true, Example: "ebbline@cellar.example", Doc: "sender"},
		{Name: "to", Kind: List, Low: 1, Item: listOf(Key{Kind: MailAddress, Example: "orla@cellar.example"}), Need: true, Example: "[orla@cellar.example]", Doc: "who is written to"},
	})}
}

func insistKeys() Keys {
	return Keys{Name: "insist", Keys: []Key{
		{Name: "first", Kind: TimeSpan, Low: 1, High: day, Default: "5m", Example: "5m", Doc: "until the first repetition"},
		{Name: "then", Kind: TimeSpan, Low: 1, High: day, Default: "15m", Example: "15m", Doc: "between the later ones"},
	}}
}

func mirrorKeys() Keys {
	return Keys{Name: "mirror", Keys: []Key{{Name: "influxdb", Kind: Object, Of: influxKeys, Doc: "an InfluxDB v2 API to copy everything to"}}}
}

func influxKeys() Keys {
	return Keys{Name: "influxdb", Keys: slices.Concat([]Key{
		{Name: "url", Kind: Address, Words: []string{"http", "https"}, Need: true, Example: "http://127.0.0.1:8086", Restart: true, Doc: "its address"},
		{Name: "org", Kind: Text, Default: "none", Example: "cellar", Restart: true, Doc: "organisation"},
		{Name: "bucket", Kind: Text, Need: true, Example: "beer", Restart: true, Doc: "bucket or database"},
	}, secretKeys("token", "/etc/ebbline/influx", Key{Default: "none", Restart: true, Doc: "its token"}))}
}

func keepKeys() Keys {
	return Keys{Name: "keep", Keys: []Key{
		{Name: "thin_after_days", Kind: Whole, Low: MinKeepDays, High: MaxKeepDays, Default: "never", Example: "400", Doc: "age of readings, in days, from which of each quarter of an hour of a sensor only the first, the last, the lowest and the highest stay; what was estimated, entered and said is kept for good, and nothing since the pitch of a running batch, or not yet copied to the mirror, is touched"},
	}}
}

func aliveKeys() Keys {
	return Keys{Name: "alive", Keys: []Key{
		{Name: "url", Kind: Address, Words: []string{"http", "https"}, Of: urlFileKeys("url"), Need: true, Example: "https://watcher.example/long-random-path", Doc: "fetched while everything works, so that someone outside hears of it when nothing does"},
		{Name: "every", Kind: TimeSpan, Low: 1, High: day, Default: "5m", Example: "5m", Doc: "how often"},
	}}
}

func commandKeys() Keys {
	return Keys{Name: "on_crash_now", Keys: []Key{
		{Name: "sensor", Kind: Text, Default: "batch is given", Example: "float-1", Doc: "of the batch with this sensor"},
		{Name: "batch", Kind: Text, Default: "sensor is given", Example: "pale wheat 12", Doc: "of the batch with this name or id"},
		{Name: "topic", Kind: Topic, Need: true, Example: "cellar/cooler/set", Doc: "topic to publish to; none that a sensor listens to"},
		{Name: "payload", Kind: Payload, Need: true, Example: `"on"`, Doc: "text that is sent as it stands, at most 4096 bytes"},
		{Name: "qos", Kind: Whole, Low: 0, High: 2, Default: "1", Example: "1", Doc: "quality of service"},
		{Name: "retain", Kind: Flag, Default: "false", Example: "false", Doc: "whether the broker keeps it for later subscribers"},
		{Name: "within", Kind: TimeSpan, Low: minute, High: 48 * hour, Default: "2h", Example: "2h", Doc: "how long the beer may take to become colder; then the phone is told"},
	}, Together: []any{oneOfKeys("sensor", "batch")}}
}

func quietKeys() Keys {
	return Keys{Name: "quiet", Keys: []Key{
		{Name: "from", Kind: TimeOfDay, Need: true, Example: `"22:30"`, Doc: "beginning"},
		{Name: "to", Kind: TimeOfDay, Need: true, Example: `"06:30"`, Doc: "end; over midnight if before from"},
	}}
}

func unitsKeys() Keys {
	return Keys{Name: "units", Keys: []Key{
		{Name: "gravity", Kind: Word, Words: []string{"sg", "plato"}, Default: "sg", Example: "plato", Restart: true, Doc: "scale of gravity"},
		{Name: "temperature", Kind: Word, Words: []string{"Cel", "degF"}, Default: "Cel", Example: "degF", Restart: true, Doc: "scale of temperature"},
	}}
}

func logKeys() Keys {
	return Keys{Name: "log", Keys: []Key{
		{Name: "level", Kind: Word, Words: []string{"debug", "info", "warn", "error"}, Default: "info", Example: "warn", Doc: "the least that is written"},
	}}
}

// only is the set with these keys alone, under another name.
func (k Keys) only(name string, keys ...string) Keys {
	out := Keys{Name: name}
	for _, one := range k.Keys {
		if slices.Contains(keys, one.Name) {
			out.Keys = append(out.Keys, one)
		}
	}
	return out
}

// pairOf says that certificate and key come together.
func pairOf() schema {
	return schema{"dependentRequired": schema{"cert_file": []string{"key_file"}, "key_file": []string{"cert_file"}}}
}

// oneOfKeys says that exactly one of the keys is there.
func oneOfKeys(keys ...string) schema {
	var all []any
	for _, k := range keys {
		all = append(all, needs(k))
	}
	return schema{"oneOf": all}
}
