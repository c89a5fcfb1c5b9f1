package ingest

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// maxTopicBytes is the longest MQTT string (MQTT 3.1.1 §1.5.3).
const maxTopicBytes = 65535

// MatchTopic reports whether an MQTT topic filter matches a topic name
// (MQTT 3.1.1 §4.7). The filter is taken to be valid.
func MatchTopic(filter, topic string) bool {
	_, ok := matchTopic(filter, topic)
	return ok
}

// matchTopic is MatchTopic, and also returns what the wildcards matched, joined
// by "/" and with a leading "/"; it is empty where they matched no level.
func matchTopic(filter, topic string) (matched string, ok bool) {
	if topic == "" || topic[0] == '$' && (filter[:min(1, len(filter))] == "+" || filter[:min(1, len(filter))] == "#") {
		return "", false // §4.7.2: leading wildcards leave $-topics alone
	}
	if filter == topic {
		return "", !strings.ContainsAny(filter, "+#")
	}
	for {
		f, fRest, fMore := strings.Cut(filter, "/")
		if f == "#" {
			return matched + "/" + topic, true
		}
		t, tRest, tMore := strings.Cut(topic, "/")
		switch f {
		case "+":
			matched += "/" + t
		case t:
		default:
			return "", false
		}
		if !tMore {
			// "sport/#" also matches "sport" (§4.7.1.2).
			return matched, !fMore || fRest == "#"
		}
		if !fMore {
			return "", false
		}
		filter, topic = fRest, tRest
	}
}

// hasWildcard reports whether the filter can match more than one topic.
func hasWildcard(filter string) bool { return strings.ContainsAny(filter, "+#") }

// ValidFilter says what is wrong with an MQTT topic filter (MQTT 3.1.1 §4.7),
// or nil.
func ValidFilter(filter string) error {
	switch {
	case filter == "":
		return errors.New("a topic filter cannot be empty")
	case len(filter) > maxTopicBytes:
		return fmt.Errorf("a topic filter has at most %d bytes", maxTopicBytes)
	case !utf8.ValidString(filter) || strings.ContainsRune(filter, 0):
		return errors.New("a topic filter is UTF-8 text without a null character")
	}
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		switch {
		case strings.Contains(l, "#") && (l != "#" || i != len(levels)-1):
			return fmt.Errorf("%q: # stands alone and last, as in cellar/#", filter)
		case strings.Contains(l, "+") && l != "+":
			return fmt.Errorf("%q: + takes a whole level, as in cellar/+/data", filter)
		}
	}
	return nil
}
