package ingest

import "strings"

// ownTopics is where the daemon itself publishes.
const ownTopics = "ebbline/batch/"

// Own reports whether a topic is one of the daemon's own: what stands there is
// never a reading, whatever a sensor's filter matches.
func Own(topic string) bool { return strings.HasPrefix(topic, ownTopics) }
