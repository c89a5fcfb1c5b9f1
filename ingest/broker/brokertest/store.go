// Package brokertest helps tests that speak to a broker.
package brokertest

import (
	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Store is for a client that reconnects by itself and publishes: Paho's memory store, but
// with packets of its own. Paho's shares them with who sends: a message published while
// a connection made anew goes through what is stored is marked as a repetition while it
// is written, which is a data race.
func Store() mqtt.Store { return ownCopies{mqtt.NewMemoryStore()} }

type ownCopies struct{ *mqtt.MemoryStore }

// Put see mqtt.Store.
func (s ownCopies) Put(key string, m packets.ControlPacket) {
	if p, ok := m.(*packets.PublishPacket); ok {
		own := *p
		m = &own
	}
	s.MemoryStore.Put(key, m)
}
