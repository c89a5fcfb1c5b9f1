// Package config reads what a person writes: the configuration of the daemon
// (contract §8) and batch files (contract §5), in YAML or JSON. It is strict:
// a key that is not known, a value that cannot be meant, is a fault with file,
// line, column and what is allowed, and all faults of a file are told at once.
// It reads no secret: those stand in files of their own or in the environment,
// read when used. keys_daemon.go and keys_batch.go say what every key means; the
// reader, the schema for editors and the reference in deploy/ all go by them.
//
// Anchors and aliases of YAML are refused; a file has at most 1 MiB.
package config
