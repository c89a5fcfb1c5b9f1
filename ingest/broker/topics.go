package broker

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"ebbline/ingest"
)

// maxTopic is the longest topic MQTT can carry, in bytes (MQTT 3.1.1 §1.5.3).
const maxTopic = 65535

// checkTopic says whether a topic can be published to (MQTT 3.1.1 §4.7).
func checkTopic(topic string) error {
	switch {
	case topic == "":
		return errors.New("empty topic")
	case len(topic) > maxTopic:
		return fmt.Errorf("topic of %d bytes: MQTT allows %d", len(topic), maxTopic)
	case !utf8.ValidString(topic) || strings.ContainsRune(topic, 0):
		return fmt.Errorf("topic %q is not UTF-8 text without a null character", topic)
	case strings.ContainsAny(topic, "+#"):
		return fmt.Errorf("topic %q holds a wildcard (+ or #): publish to one concrete topic", topic)
	}
	return nil
}

// checkFilter says whether a topic filter can be subscribed to, alone or shared.
func checkFilter(filter string) error {
	plain := filter
	if rest, shared := strings.CutPrefix(filter, "$share/"); shared {
		group, f, found := strings.Cut(rest, "/")
		if !found || group == "" || strings.ContainsAny(group, "+#") {
			return fmt.Errorf("topic filter %q: a shared subscription is written $share/GROUP/FILTER", filter)
		}
		plain = f
	}
	if err := ingest.ValidFilter(plain); err != nil {
		return fmt.Errorf("topic filter: %w", err)
	}
	return nil
}

// covers says whether every topic that filter matches is also matched by
// allowed. filter may be a concrete topic. Topics that begin with $ are not
// matched by a leading wildcard (MQTT 3.1.1 §4.7.2).
func covers(allowed, filter string) bool {
	if rest, shared := strings.CutPrefix(filter, "$share/"); shared {
		_, filter, _ = strings.Cut(rest, "/")
	}
	a, f := strings.Split(allowed, "/"), strings.Split(filter, "/")
	if strings.HasPrefix(filter, "$") && (a[0] == "#" || a[0] == "+") {
		return false
	}
	for i, level := range a {
		switch {
		case level == "#":
			return true // also the parent level itself: a/# matches a
		case i >= len(f), f[i] == "#":
			return false
		case level == "+":
		case level != f[i]:
			return false
		}
	}
	return len(a) == len(f)
}
