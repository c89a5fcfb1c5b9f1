// Package config reads what a person writes: the configuration of the daemon
// (contract §8) and batch files (contract §5), in YAML or JSON. It is strict:
// a key that is not known, a value that cannot be meant, is a fault with file,
// line, column and what is allowed, and all faults of a file are told at once.
// It reads no secret: those stand in files of their own, read when used.
//
// Keys beyond the contract:
//
//	mqtt:
//	  users: [{name: float, password_file: /etc/ebbline/float}]  # of the embedded broker
//	  ca_file: …                 # of an external broker with a private authority
//	  cert_file: …               # TLS: ours towards an external broker, or the embedded one's
//	  key_file: …
//	page:
//	  hosts: [cellar.lan]        # names by which the page may be asked for, besides addresses
//	  proxies: [192.0.2.7]       # besides this machine: whose X-Forwarded-For and -Proto are believed
//	  cert_file: …               # the page speaks TLS; new files are taken up within seconds
//	  key_file: …
//	notify:                      # from the ladder's first rung on
//	  - ntfy: https://…          # or {url_file: …}, as webhook and shoutrrr
//	    name: phone              # "ntfy", "ntfy-2", … unless given
//	    token_file: …            # of ntfy and webhook
//	    ca_file: …               # of ntfy and webhook, with a private authority
//	    severities: [urgent]     # all unless given
//	    after: 15m               # only if still unanswered by then
//	    per_hour: 20             # messages that are not urgent
//	  - webhook: http://…
//	    secret_file: …           # key of the signature
//	  - mail: {server: "smtp.example:587", tls: starttls, user: …, password_file: …, ca_file: …, from: …, to: […]}
//	  - shoutrrr: {url_file: …}
//	sensors:                     # besides contract §4
//	  - text: true               # accepts numbers in strings
//	    format: senml            # readings then have record: instead of pointer:
//	    readings: [{quantity: tilt, pointer: /a, unit: deg, calibration: [0.98, 6.0e-4]}]  # SG = c0 + c1·x + …
//	batch:
//	  id: pale-wheat-12          # of name and pitch date unless given
//	  temperature: {low: 15 Cel, high: 25 Cel}
//	  temperature_steps:         # planned: from then on the beer goes to that
//	    - {at: 2026-03-04T18:00:00Z, to: 16 Cel}
//	  heads_up: [12h, 3h]        # leads of crash-soon
//
// Where no _file is given, MQTTPasswordEnv, InfluxTokenEnv and MailPasswordEnv
// may hold the secret. Anchors and aliases of YAML are refused; a file has at most 1 MiB.
package config
