package broker

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// maxTopic is the longest topic MQTT can carry, in bytes (MQTT 3.1.1 §1.5.3).
const maxTopic = 65535

// checkTopic says whether a topic can be published to (MQTT 3.1.1 §4.7).
func checkTopic(topic string) error {
	if err := checkText(topic, "topic"); err != nil {
		return err
	}
	if strings.ContainsAny(topic, "+#") {
		return fmt.Errorf("topic %q holds a wildcard (+ or #): publish to one concrete topic", topic)
	}
	return nil
}

// checkFilter says whether a topic filter can be subscribed to (MQTT 3.1.1 §4.7.1).
func checkFilter(filter string) error {
	if err := checkText(filter, "topic filter"); err != nil {
		return err
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		switch {
		case level == "+", level == "#" && i == len(levels)-1:
		case strings.Contains(level, "#"):
			return fmt.Errorf("topic filter %q: # must be the last level and stand alone in it", filter)
		case strings.Contains(level, "+"):
			return fmt.Errorf("topic filter %q: + must stand alone in its level", filter)
		}
	}
	if levels[0] == "$share" && (len(levels) < 3 || levels[1] == "" || strings.ContainsAny(levels[1], "+#")) {
		return fmt.Errorf("topic filter %q: a shared subscription is written $share/GROUP/FILTER", filter)
	}
	return nil
}

func checkText(s, what string) error {
	switch {
	case s == "":
		return errors.New("empty " + what)
	case len(s) > maxTopic:
		return fmt.Errorf("%s of %d bytes: MQTT allows %d", what, len(s), maxTopic)
	case !utf8.ValidString(s) || strings.ContainsRune(s, 0):
		return fmt.Errorf("%s %q is not valid UTF-8 text", what, s)
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
