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
//	  cert_file: …
//	  key_file: …
//	notify:
//	  - ntfy: https://…
//	    name: phone              # "ntfy", "ntfy-2", … unless given
//	    token_file: …
//	    severities: [urgent]     # all unless given
//	sensors:                     # besides contract §4
//	  - text: true               # accepts numbers in strings
//	    format: senml            # readings then have record: instead of pointer:
//	    readings: [{quantity: tilt, pointer: /a, unit: deg, calibration: [0.98, 6.0e-4]}]  # SG = c0 + c1·x + …
//	batch:
//	  id: pale-wheat-12          # of name and pitch date unless given
//	  temperature: {low: 15 Cel, high: 25 Cel}
//	  heads_up: [12h, 3h]        # leads of crash-soon
//
// Where no _file is given, MQTTPasswordEnv and InfluxTokenEnv may hold the
// secret. Anchors and aliases of YAML are refused; a file has at most 1 MiB.
package config
