// Package ingest turns MQTT messages into readings: which sensor a topic is,
// where in the payload each quantity stands, its unit, whether it is plausible.
// Pure: connecting is ingest/broker's, keeping is ingest/journal's.
package ingest

import "time"

// Message is one MQTT PUBLISH as it arrived.
type Message struct {
	Topic   string
	Payload []byte
	// Retained means that the broker replayed a kept message: never a live reading.
	Retained bool
	// Duplicate is the DUP flag: the sender may have delivered it before.
	Duplicate bool
	Arrived   time.Time
}

// Quantity is what a reading measures. The values are those of the contract.
type Quantity string

// The quantities a sensor may give, with the unit a Reading carries them in.
const (
	Gravity     Quantity = "gravity"     // SG 20/20
	Temperature Quantity = "temperature" // °C
	Tilt        Quantity = "tilt"        // degrees from vertical
	PH          Quantity = "ph"          // pH
	Battery     Quantity = "battery"     // V, or a fraction 0..1 if given in %
)

// Reading is one accepted value of one quantity of one sensor.
type Reading struct {
	Sensor   string
	Quantity Quantity
	// Time is the device's own clock if the sensor has one, else Arrived.
	Time    time.Time
	Arrived time.Time
	Value   float64
	// DeviceTime reports that Time came from the device. Without it a
	// redelivered message can only be told by its value.
	DeviceTime bool
	// Redelivered is the message's DUP flag.
	Redelivered bool
	// Uncorrected reports a gravity that should have been corrected for the
	// beer's temperature (calibrated_at) but no temperature was known.
	Uncorrected bool
	// Repeated reports a gravity of which the device shows exactly what it showed
	// in its last message, before any correction: a float that hangs somewhere
	// does, while the correction for temperature makes another value of it.
	Repeated bool
}

// Refusal is a message, or one value of it, that was not accepted, and why.
type Refusal struct {
	Topic   string
	Sensor  string // empty if no sensor listens to the topic
	Reason  Reason
	Detail  string // one line for a person: what, where, what to do
	Payload []byte // first KiB
	Arrived time.Time
	// Kept reports that only the device's clock was refused: the readings were
	// accepted at the time of arrival.
	Kept bool
}
