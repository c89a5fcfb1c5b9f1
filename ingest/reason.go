package ingest

// Reason is a short fixed name for why something was refused.
type Reason string

// The reasons. They are counted and shown by these names: add, never rename.
const (
	// UnknownTopic: no sensor listens to the topic.
	UnknownTopic Reason = "unknown-topic"
	// BadTopic: a wildcard matched something that cannot name a sensor.
	BadTopic Reason = "bad-topic"
	// TooManySensors: a wildcard has made as many sensors as there may be.
	TooManySensors Reason = "too-many-sensors"
	// RetainedMessage: the broker replayed a kept message; it is not a live reading.
	RetainedMessage Reason = "retained"
	// TooLarge: the payload is over MaxPayload.
	TooLarge Reason = "too-large"
	// TooDeep: arrays and objects are nested deeper than MaxDepth.
	TooDeep Reason = "too-deep"
	// NotJSON: the payload is not JSON (RFC 8259).
	NotJSON Reason = "not-json"
	// NotSenML: JSON, but not a SenML pack (RFC 8428) that can be understood.
	NotSenML Reason = "not-senml"
	// NoSuchValue: nothing stands at the pointer, or the pack has no such record.
	NoSuchValue Reason = "no-such-value"
	// NullValue: the value is null, which sets nothing.
	NullValue Reason = "null"
	// NotANumber: the value is a boolean, an object, an array or other text.
	NotANumber Reason = "not-a-number"
	// TextNumber: a number inside a string, and the sensor does not say text: true.
	TextNumber Reason = "text-number"
	// NotFinite: NaN, an infinity, or a number too large to hold.
	NotFinite Reason = "not-finite"
	// OutOfRange: a number that this quantity cannot have; often a wrong unit.
	OutOfRange Reason = "out-of-range"
	// DuplicateKey: an object on the way to the value has that key twice.
	DuplicateKey Reason = "duplicate-key"
	// WrongUnit: a SenML record in another unit than the sensor's.
	WrongUnit Reason = "wrong-unit"
	// BadTime: the device's clock cannot be read; the reading is kept at its
	// time of arrival.
	BadTime Reason = "bad-time"
	// ClockWrong: the device's clock is before 2020 or in the future; the
	// reading is kept at its time of arrival.
	ClockWrong Reason = "clock-wrong"
)
