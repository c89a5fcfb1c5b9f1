package ingest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// The bounds of a payload; within them a message costs little to decode.
const (
	// MaxPayload is the largest payload that is looked at, in bytes.
	MaxPayload = 64 << 10
	// MaxDepth is how deep arrays and objects may be nested.
	MaxDepth = 32
)

// readJSON checks a payload and returns it as valid JSON. Many devices print a
// failed measurement as NaN or inf, which is not JSON; such a token is replaced
// by a number that is refused as not finite, so that its neighbours survive.
func readJSON(payload []byte) ([]byte, Reason, string) {
	if len(payload) > MaxPayload {
		return nil, TooLarge, fmt.Sprintf("payload of %d bytes; at most %d are read", len(payload), MaxPayload)
	}
	if tooDeep(payload) {
		return nil, TooDeep, fmt.Sprintf("nested deeper than %d levels", MaxDepth)
	}
	if json.Valid(payload) {
		return payload, "", ""
	}
	if marked := markNotFinite(payload); marked != nil && json.Valid(marked) {
		return marked, "", ""
	}
	if len(bytes.TrimSpace(payload)) == 0 {
		return nil, NotJSON, "the payload is empty"
	}
	return nil, NotJSON, "the payload is not JSON: " + jsonFault(payload)
}

// jsonFault says what the first fault of the payload is and at which byte.
func jsonFault(payload []byte) string {
	var v json.RawMessage
	err := json.Unmarshal(payload, &v)
	if syntax, ok := err.(*json.SyntaxError); ok { //nolint:errorlint // returned bare by encoding/json
		for _, m := range decimalComma.FindAllIndex(payload, -1) {
			if at := int(syntax.Offset) - 1; m[0] <= at && at <= m[1] {
				return fmt.Sprintf("%s has a comma; write decimals with a point (byte %d)", short(payload[m[0]:m[1]]), syntax.Offset)
			}
		}
		return fmt.Sprintf("%v (byte %d)", err, syntax.Offset)
	}
	return fmt.Sprint(err)
}

// decimalComma is a number as it is written where the comma parts the decimals.
var decimalComma = regexp.MustCompile(`-?\d+,\d+`)

// tooDeep counts brackets outside strings, before anything parses them.
func tooDeep(b []byte) bool {
	depth := 0
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case '"':
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
		case '{', '[':
			if depth++; depth > MaxDepth {
				return true
			}
		case '}', ']':
			depth--
		}
	}
	return false
}

// notFinite stands in for NaN and the infinities; ParseFloat finds it too large.
const notFinite = "1e999"

// markNotFinite replaces bare NaN, Infinity and the like, outside strings; nil
// if there is none.
func markNotFinite(b []byte) []byte {
	var out []byte
	done := 0
	for i := 0; i < len(b); {
		switch {
		case b[i] == '"':
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			i++
		case isWordByte(b[i]):
			start := i
			for i < len(b) && isWordByte(b[i]) {
				i++
			}
			if isNotFiniteWord(b[start:i]) {
				out = append(append(out, b[done:start]...), notFinite...)
				done = i
			}
		default:
			i++
		}
	}
	if done == 0 {
		return nil
	}
	return append(out, b[done:]...)
}

func isWordByte(c byte) bool {
	return c == '-' || c == '+' || c == '.' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}

func isNotFiniteWord(w []byte) bool {
	w = bytes.TrimLeft(w, "+-")
	for _, name := range []string{"nan", "inf", "infinity"} {
		if strings.EqualFold(string(w), name) {
			return true
		}
	}
	return false
}

// number reads a JSON value as a number; numbers in strings only if text.
func number(raw json.RawMessage, text bool) (float64, Reason) {
	switch c := raw[0]; {
	case c == '-' || c >= '0' && c <= '9':
		return parseNumber(string(raw))
	case c == 'n':
		return 0, NullValue
	case c != '"':
		return 0, NotANumber
	}
	var s string
	if json.Unmarshal(raw, &s) != nil {
		return 0, NotANumber
	}
	s = strings.TrimSpace(s)
	if isNotFiniteWord([]byte(s)) {
		return 0, NotFinite
	}
	// The grammar of a JSON number, not that of Go: no hexadecimal, no _.
	if s == "" || s[0] != '-' && (s[0] < '0' || s[0] > '9') || !json.Valid([]byte(s)) {
		return 0, NotANumber
	}
	if !text {
		return 0, TextNumber
	}
	return parseNumber(s)
}

func parseNumber(s string) (float64, Reason) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, NotFinite
	}
	return v, ""
}

// longest is how much of a value is told, in bytes.
const longest = 40

// short makes one line of a value, for a message to a person.
func short(raw []byte) string { return cutTo(raw, longest) }

// cutTo is short with a bound of its own.
func cutTo(raw []byte, longest int) string {
	text, more := string(raw), ""
	if len(raw) > longest {
		text, more = string(raw[:longest-3]), "..."
	}
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text) + more
}
