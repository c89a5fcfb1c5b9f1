package ingest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// pointer is a JSON Pointer (RFC 6901) cut into its unescaped tokens; the
// empty pointer is the whole document.
type pointer []string

// parsePointer reads the string form of a JSON Pointer.
func parsePointer(s string) (pointer, error) {
	if s == "" {
		return nil, nil
	}
	if s[0] != '/' {
		return nil, fmt.Errorf("%q: a JSON Pointer starts with /, as in /data/gravity; the empty one takes a bare number", s)
	}
	tokens := strings.Split(s[1:], "/")
	for i, t := range tokens {
		if err := checkEscapes(t); err != nil {
			return nil, fmt.Errorf("%q: %w", s, err)
		}
		// §4: first ~1, then ~0, so that ~01 becomes ~1 and not a slash.
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return tokens, nil
}

func checkEscapes(token string) error {
	for i := range len(token) {
		if token[i] == '~' && (i+1 == len(token) || token[i+1] != '0' && token[i+1] != '1') {
			return fmt.Errorf("~ is written ~0 in a JSON Pointer, and / inside a key ~1")
		}
	}
	return nil
}

// find returns the value at p in doc, which must be valid JSON (json.Valid).
// The reason is empty if there is one.
func (p pointer) find(doc []byte) (json.RawMessage, Reason) {
	v := bytes.TrimSpace(doc)
	for _, token := range p {
		var r Reason
		switch v[0] {
		case '{':
			v, r = member(v, token)
		case '[':
			v, r = element(v, token)
		default:
			return nil, NoSuchValue
		}
		if r != "" {
			return nil, r
		}
	}
	return v, ""
}

// member finds the value of a key in a valid JSON object; twice the same key
// is refused, because readers differ in which one they take (RFC 8259 §4).
func member(object []byte, key string) ([]byte, Reason) {
	var found []byte
	i := skipSpace(object, 1)
	for object[i] != '}' {
		end := skipString(object, i)
		same := keyIs(object[i:end], key)
		i = skipSpace(object, skipSpace(object, end)+1) // past the colon
		end = skipValue(object, i)
		if same {
			if found != nil {
				return nil, DuplicateKey
			}
			found = object[i:end]
		}
		i = skipSpace(object, end)
		if object[i] == ',' {
			i = skipSpace(object, i+1)
		}
	}
	if found == nil {
		return nil, NoSuchValue
	}
	return found, ""
}

// element finds an element of a valid JSON array. The index has no sign and no
// leading zero; "-" names the element after the last, which never exists (§4).
func element(array []byte, token string) ([]byte, Reason) {
	n, ok := arrayIndex(token)
	if !ok {
		return nil, NoSuchValue
	}
	i := skipSpace(array, 1)
	for array[i] != ']' {
		end := skipValue(array, i)
		if n == 0 {
			return array[i:end], ""
		}
		n--
		i = skipSpace(array, end)
		if array[i] == ',' {
			i = skipSpace(array, i+1)
		}
	}
	return nil, NoSuchValue
}

func arrayIndex(token string) (int, bool) {
	if token == "" || len(token) > 6 || token[0] == '0' && token != "0" {
		return 0, false // MaxPayload leaves no room for a longer index
	}
	n := 0
	for i := range len(token) {
		if token[i] < '0' || token[i] > '9' {
			return 0, false
		}
		n = 10*n + int(token[i]-'0')
	}
	return n, true
}

// keyIs compares a quoted key with its unescaped text.
func keyIs(quoted []byte, key string) bool {
	if bytes.IndexByte(quoted, '\\') < 0 {
		return string(quoted[1:len(quoted)-1]) == key
	}
	var text string
	return json.Unmarshal(quoted, &text) == nil && text == key
}

// skipSpace, skipString and skipValue walk valid JSON: they return where the
// thing that starts at i ends. None recurses, whatever the nesting.

func skipSpace(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\t' || b[i] == '\n' || b[i] == '\r') {
		i++
	}
	return i
}

func skipString(b []byte, i int) int {
	for i++; b[i] != '"'; i++ {
		if b[i] == '\\' {
			i++
		}
	}
	return i + 1
}

func skipValue(b []byte, i int) int {
	depth := 0
	for i < len(b) {
		switch b[i] {
		case '"':
			i = skipString(b, i)
		case '{', '[':
			depth++
			i++
			continue
		case '}', ']':
			depth--
			i++
		case ',', ':', ' ', '\t', '\n', '\r':
			i++
			continue
		default: // number, true, false, null
			for i < len(b) && bytes.IndexByte([]byte(",:]} \t\n\r"), b[i]) < 0 {
				i++
			}
		}
		if depth == 0 {
			return i
		}
	}
	return i
}
