package config

import (
	"slices"
	"time"
)

// Kind is what may stand behind a key.
type Kind string

// The kinds of values. A quantity is a number with its unit (contract §3).
const (
	Text        Kind = "text"
	File        Kind = "file"
	Folder      Kind = "folder"
	EnvName     Kind = "environment variable"
	Address     Kind = "URL"       // its schemes are the key's Words
	Service     Kind = "service"   // an address as shoutrrr has them
	Listen      Kind = "host:port" // to listen on; port 0 takes a free one
	HostPort    Kind = "server"    // host:port to connect to
	MailAddress Kind = "mail address"
	HostName    Kind = "host name"
	Network     Kind = "address or network"
	Zone        Kind = "time zone"
	TimeOfDay   Kind = "time of day"
	Time        Kind = "time"
	TimeSpan    Kind = "time span"
	Word        Kind = "word" // one of the key's Words
	Flag        Kind = "true or false"
	Number      Kind = "number"
	Whole       Kind = "whole number"
	Temperature Kind = "temperature"
	Volume      Kind = "volume"
	Gravity     Kind = "gravity"
	Ceiling     Kind = "ceiling"
	Pointer     Kind = "JSON Pointer"
	Topic       Kind = "topic"        // one topic to publish to
	TopicFilter Kind = "topic filter" // + and # allowed
	Payload     Kind = "payload"
	Object      Kind = "keys"
	List        Kind = "list"
)

// Key is one key of a file: the reader goes by it, and documentation and schema
// are made of it, so that none of the three can say what the others do not.
type Key struct {
	Name string
	Kind Kind
	// Need: a file without the key is refused.
	Need bool
	// Default is what holds without the key, as it would stand in the file where
	// it can stand there.
	Default string
	// Example is a value, as in a file.
	Example string
	// Doc says what the key means; one sentence without its end.
	Doc string
	// Words that are allowed, of a Word; schemes, of an Address.
	Words []string
	// Low and High bound the value, both included, in the unit named beside:
	// TimeSpan s, Temperature °C, Gravity SG, Volume L, else a bare number. Both zero:
	// no bounds but those of the kind; a List with Low 1 is not empty. Open: Low is not included.
	Low, High float64
	Open      bool
	// Of are the keys of an Object, or of what may stand for an Address.
	Of func() Keys
	// Item is what a List holds.
	Item *Key
	// Instead names the key of the same mapping that this one may stand for.
	Instead string
	// Restart: a change of it is taken up at the next start only.
	Restart bool
}

// Keys is a set of keys with the name that messages give to it.
type Keys struct {
	Name string
	Keys []Key
	// Together are JSON Schemas of what holds for several of the keys.
	Together []any
}

func (k Keys) names() []string {
	out := make([]string, len(k.Keys))
	for i, one := range k.Keys {
		out[i] = one.Name
	}
	return out
}

// key is the one of that name. That there is none is a mistake in this package.
func (k Keys) key(name string) Key {
	i := slices.IndexFunc(k.Keys, func(one Key) bool { return one.Name == name })
	if i < 0 {
		panic("config: " + k.Name + " has no key " + name)
	}
	return k.Keys[i]
}

// item is what the list of that name holds, by the list's own name.
func (k Keys) item(name string) Key {
	item := *k.key(name).Item
	item.Name = name
	return item
}

func (k Key) bounded() bool { return k.Low != 0 || k.High != 0 }

// span is a bound or default of a TimeSpan as a duration.
func span(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }

// spanDefault is the default of a TimeSpan, 0 without one.
func (k Key) spanDefault() time.Duration {
	d, err := time.ParseDuration(k.Default)
	if err != nil {
		return 0
	}
	return d
}

const (
	minute = 60.0
	hour   = 60 * minute
	day    = 24 * hour
)

// listOf makes the item of a list.
func listOf(item Key) *Key { return &item }
