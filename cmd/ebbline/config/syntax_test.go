package config

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// What the YAML parser says most often is told with a remedy, at its place.
func TestFaultsOfYAMLHaveARemedy(t *testing.T) {
	for text, want := range map[string]string{
		"sensors:\n  - name: a\n  name: b\n":   "f.yaml:3:3: not YAML: this does not belong to the list above; indent it like the line above",
		"mqtt:\n  listen: x\n    url: y\n":     "f.yaml:3:8: not YAML: a key cannot stand here; indent it like the line above",
		"data: a: b\n":                         "f.yaml:1:8: not YAML: a key cannot stand here",
		"mqtt:\n\tlisten: x\n":                 "f.yaml:2:1: not YAML: indent with blanks, not tabs",
		"mqtt:\n  listen: x\n\turl: y\n":       "f.yaml:3:1: not YAML: indent with blanks, not tabs",
		"mqtt:\n  listen:x\n  url: y\n":        "not YAML: ",
		"data: /a\nmqtt\nlog: {level: info}\n": "not YAML: a key without a colon; write the key, a colon and a blank before its value",
		"mqtt:\n  listen: x\n url: y\n":        "not YAML: this does not fit the keys above; indent it like the line above",
		"sensors: - name: a\n":                 "not YAML: a list cannot begin here",
		"sensors: [a\n":                        "not YAML: the list in [ ] is not closed",
		"data: \"a\n":                          "not YAML: a text in quotes is not closed",
	} {
		_, err := Parse("f.yaml", []byte(text), func(string) (string, bool) { return "/home", true })
		require.ErrorContains(t, err, want, text)
		require.NotContains(t, err.Error(), "expected", text)
	}
}
