package ingest

import (
	"fmt"
	"strings"
)

// How much is told of a message that has not what the sensor looks for.
const (
	mostMembers   = 8
	longestMember = 24 // bytes
)

// absent says why a pointer finds no value.
func absent(p string, r Reason) string {
	if r == DuplicateKey {
		return fmt.Sprintf("a key of %q stands twice in its object", p)
	}
	return fmt.Sprintf("nothing stands at %q", p)
}

// missing names every pointer of a sensor that finds nothing, and what the
// message holds: of each topic only the last refusal for a reason is kept, so each
// says it all.
func missing(h hit, doc []byte) string {
	var at []string
	for _, spec := range h.readings {
		if _, reason := spec.at.find(doc); reason == NoSuchValue {
			at = append(at, fmt.Sprintf("%q (%s)", cutTo([]byte(spec.Pointer), longest), spec.Quantity))
		}
	}
	return "nothing stands at " + strings.Join(at, " nor ") + "; " + holds(doc)
}

// holds says what the top of valid JSON is.
func holds(doc []byte) string {
	doc = doc[skipSpace(doc, 0):]
	switch doc[0] {
	case '[':
		return "the message is a list, so its pointers begin with a number, such as /0"
	case '{':
	default:
		return "the message is " + short(doc[:skipValue(doc, 0)]) + " alone, which the empty pointer takes"
	}
	all, _ := members(doc)
	var names []string
	seen := map[string]bool{}
	for _, f := range all {
		if !seen[f.label] {
			seen[f.label] = true
			names = append(names, `"`+cutTo([]byte(f.label), longestMember)+`"`)
		}
	}
	switch more := len(names) - mostMembers; {
	case len(names) == 0:
		return "the message is empty"
	case more > 0:
		return fmt.Sprintf("the message has %s and %d more", strings.Join(names[:mostMembers], ", "), more)
	}
	return "the message has " + strings.Join(names, ", ")
}
