package config

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"
)

// The bounds of a file or an HTTP body. What is said of one grows with the
// square of its lists, and nobody reads more faults than these.
const (
	maxFile   = 1 << 20 // bytes
	maxItems  = 10000   // of one list
	maxFaults = 100
)

// reader collects the faults of one file while its values are read, so that
// all are told in one pass.
type reader struct {
	file   string
	lookup func(string) (string, bool) // of environment variables; nil: none are set
	errs   Errors
}

// root parses a file and returns its top mapping, or nil after a fault.
func (r *reader) root(data []byte) *yaml.Node {
	if len(data) > maxFile {
		r.at(0, 0, "%d bytes; at most %d are read", len(data), maxFile)
		return nil
	}
	var doc yaml.Node
	if err := yaml.Load(joinSurrogates(data), &doc, yaml.WithV4Defaults()); err != nil {
		if placed := new(yaml.LoadError); isUTF16(data) && (!errors.As(err, &placed) || placed.Mark.Line == 0) {
			r.at(1, 1, notUTF8)
		} else {
			r.syntax(err)
		}
		return nil
	}
	top := &doc
	if doc.Kind == yaml.DocumentNode && len(doc.Content) > 0 {
		top = doc.Content[0]
	}
	if top.Kind != yaml.MappingNode && isUTF16(data) {
		r.at(1, 1, notUTF8)
		return nil
	}
	if top.Kind != yaml.MappingNode {
		r.fail(top, "a mapping of keys is needed here, such as batch: or mqtt:")
		return nil
	}
	if !r.plain(top) {
		return nil
	}
	return top
}

// notUTF8 is the fault of a file of which nothing is understood, if it begins as UTF-16
// does. A whole one with its mark is read as any other.
const notUTF8 = "this begins like text in UTF-16, as some editors save it, and nothing of it can be read; save it as UTF-8"

// isUTF16 reports whether a text begins as UTF-16 does, in either order of bytes: with
// its mark, or with a letter of which one half is nought.
func isUTF16(data []byte) bool {
	if len(data) < 2 {
		return false
	}
	a, b := data[0], data[1]
	return a == 0xff && b == 0xfe || a == 0xfe && b == 0xff || (a == 0) != (b == 0)
}

// joinSurrogates writes characters beyond U+FFFF, which some JSON libraries
// escape as two halves, as themselves: the one thing of JSON that YAML lacks.
func joinSurrogates(data []byte) []byte {
	if !bytes.Contains(data, []byte(`\u`)) || !json.Valid(data) {
		return data
	}
	pair := regexp.MustCompile(`\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2}`)
	return pair.ReplaceAllFunc(data, func(escapes []byte) []byte {
		var text string
		if json.Unmarshal([]byte(`"`+string(escapes)+`"`), &text) != nil {
			return escapes
		}
		return []byte(text)
	})
}

// yamlSays are the parser's commonest messages in words that say what to do.
func yamlSays() []struct{ message, words string } {
	return []struct{ message, words string }{
		{"expected '-' indicator", "this does not belong to the list above; indent it like the line above, and begin each entry with - and a blank"},
		{"did not find expected key", "this does not fit the keys above; indent it like the line above, and put text with quotes, : or # into quotes as a whole"},
		{"mapping values are not allowed", "a key cannot stand here; indent it like the line above, see that the line above has a blank after its colon, and put text with a colon into quotes"},
		{"cannot start any token", "indent with blanks, not tabs, and put text that begins with @, ` or % into quotes"},
		{"found a tab character", "indent with blanks, not tabs"},
		{"could not find expected ':'", "a key without a colon; write the key, a colon and a blank before its value, as in volume: 19 L"},
		{"block sequence entries are not allowed", "a list cannot begin here; put its first - on a line of its own below the key"},
		{"expected ',' or ']'", "the list in [ ] is not closed; put commas between its entries and a ] at its end"},
		{"expected ',' or '}'", "the keys in { } are not closed; put commas between them, a blank after each colon and a } at the end"},
		{"found unexpected end of stream", "a text in quotes is not closed; put the same quote at its end"},
	}
}

// syntax reports what the YAML parser said, with its place.
func (r *reader) syntax(err error) {
	if errors.Is(err, io.EOF) {
		r.at(1, 1, "the file is empty")
		return
	}
	var one *yaml.LoadError
	if errors.As(err, &one) && one.Mark.Line > 0 {
		text := one.Message
		if one.ContextMsg != "" {
			text += " (" + one.ContextMsg + ")"
		}
		for _, s := range yamlSays() {
			if strings.Contains(one.Message, s.message) {
				text = s.words
				break
			}
		}
		r.at(one.Mark.Line, max(one.Mark.Column, 1), "not YAML: %s", text)
		return
	}
	if strings.Contains(err.Error(), "no documents") {
		r.at(1, 1, "the file is empty")
		return
	}
	r.at(1, 1, "not YAML: %s", strings.ReplaceAll(err.Error(), "\n", " "))
}

// plain refuses anchors and aliases: they could make a small file huge.
func (r *reader) plain(n *yaml.Node) bool {
	ok := true
	if n.Kind == yaml.AliasNode || n.Anchor != "" {
		r.fail(n, "anchors and aliases (&name, *name) are not read here; write the value out")
		return false
	}
	for _, c := range n.Content {
		ok = r.plain(c) && ok
	}
	return ok
}

func (r *reader) at(line, column int, format string, args ...any) {
	if len(r.errs) >= maxFaults {
		return
	}
	r.errs = append(r.errs, &Error{File: r.file, Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
}

func (r *reader) fail(n *yaml.Node, format string, args ...any) {
	r.at(max(n.Line, 1), max(n.Column, 1), format, args...)
}

// object is a mapping with a known set of keys.
type object struct {
	r      *reader
	node   *yaml.Node
	name   string // as a person would call it, for messages
	keys   Keys
	values map[string]*yaml.Node
}

// object reads a mapping and refuses keys that are not among the known.
func (r *reader) object(n *yaml.Node, keys Keys) object {
	name, allowed := keys.Name, keys.names()
	o := object{r: r, node: n, name: name, keys: keys, values: map[string]*yaml.Node{}}
	if n.Kind != yaml.MappingNode {
		r.fail(n, "%s: keys are needed here, some of %s", name, strings.Join(allowed, ", "))
		return o
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		switch {
		case k.Kind != yaml.ScalarNode || !slices.Contains(allowed, k.Value):
			r.unknown(k, name, allowed)
		case o.values[k.Value] != nil:
			r.fail(k, "%s: key %q stands twice, first in line %d", name, k.Value, o.values[k.Value].Line)
		default:
			o.values[k.Value] = v
		}
	}
	return o
}

func (r *reader) unknown(k *yaml.Node, name string, allowed []string) {
	if k.Kind != yaml.ScalarNode {
		r.fail(k, "%s: a key is a word, one of %s", name, strings.Join(allowed, ", "))
		return
	}
	hint := "allowed are " + strings.Join(allowed, ", ")
	if near := nearest(k.Value, allowed); near != "" {
		hint = fmt.Sprintf("did you mean %q? Otherwise %s", near, hint)
	}
	switch k.Value {
	case "password", "token", "secret":
		hint = "secrets stand in a file of their own, " + k.Value + "_file; " + hint
	}
	r.fail(k, "%s: unknown key %q; %s", name, cut(k.Value), hint)
}

// get is the value of a key, nil if it is absent or null.
func (o object) get(key string) *yaml.Node {
	o.keys.key(key) // whoever reads a key that is documented nowhere is told so at once
	n := o.values[key]
	if n == nil || n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" {
		return nil
	}
	return n
}

// need is get, and a fault if there is nothing.
func (o object) need(key string) *yaml.Node {
	n := o.get(key)
	if n == nil {
		o.r.fail(o.node, "%s: %s is missing; for example %s: %s", o.name, key, key, o.keys.key(key).Example)
	}
	return n
}

// items are the elements of a list, empty if the key is absent.
func (o object) items(key string) []*yaml.Node {
	n := o.get(key)
	if n == nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		o.r.fail(n, "%s: a list is needed here, with - before each entry", key)
		return nil
	}
	if len(n.Content) > maxItems {
		o.r.fail(n, "%s: %d items; at most %d are read", key, len(n.Content), maxItems)
		return nil
	}
	return n.Content
}

// IsBatch tells a batch file from a configuration: it has a batch, and at most
// sensors beside it. A text that cannot be read is none.
func IsBatch(data []byte) bool {
	r := &reader{}
	if r.blank(data) {
		return false
	}
	top := r.root(data)
	if top == nil {
		return false
	}
	batch := false
	for i := 0; i < len(top.Content); i += 2 {
		switch top.Content[i].Value {
		case "batch":
			batch = true
		case "sensors":
		default:
			return false
		}
	}
	return batch
}
