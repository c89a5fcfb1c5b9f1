package broker

import (
	"context"
	"errors"
	"fmt"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Outgoing is one message to be published.
type Outgoing struct {
	// Topic is a concrete one, no wildcards.
	Topic   string
	Payload []byte
	// QoS from 0 to 2 is how surely subscribers get it.
	QoS byte
	// Retain asks the broker to keep it for later subscribers; an empty payload
	// clears what is kept.
	Retain bool
}

// ErrNotSent is in the error of a Publish of which nothing has left: sending it
// again cannot double it.
var ErrNotSent = errors.New("nothing was sent")

func (o Outgoing) check() error {
	if err := checkTopic(o.Topic); err != nil {
		return fmt.Errorf("publish: %w (%w)", err, ErrNotSent)
	}
	if o.QoS > 2 {
		return fmt.Errorf("publish to %s: QoS %d; 0, 1 or 2 (%w)", o.Topic, o.QoS, ErrNotSent)
	}
	return nil
}

// Publish see Source. It waits at most KeepAlive plus PingTimeout.
func (s *Subscriber) Publish(ctx context.Context, o Outgoing) error {
	if err := o.check(); err != nil {
		return err
	}
	s.mu.Lock()
	l := s.link
	s.mu.Unlock()
	if l == nil || ctx.Err() != nil {
		return fmt.Errorf("publish to %s: no connection to the broker (%w)", o.Topic, ErrNotSent)
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.KeepAlive+s.cfg.PingTimeout)
	defer cancel()
	token := l.client.Publish(o.Topic, o.QoS, o.Retain, o.Payload)
	select {
	case <-token.Done():
		return published(o.Topic, token)
	case <-l.over:
		select {
		case <-token.Done(): // Paho knows better what became of it
			return published(o.Topic, token)
		default:
		}
		return fmt.Errorf("publish to %s: the connection to the broker was lost", o.Topic)
	case <-ctx.Done():
		return fmt.Errorf("publish to %s: the broker did not acknowledge it in time", o.Topic)
	}
}

// published is what became of a message that Paho is done with.
func published(topic string, token mqtt.Token) error {
	err := token.Error()
	switch {
	case errors.Is(err, mqtt.ErrNotConnected): // Paho looked before it wrote
		return fmt.Errorf("publish to %s: no connection to the broker (%w)", topic, ErrNotSent)
	case err != nil:
		return fmt.Errorf("publish to %s: %w", topic, err)
	}
	return nil
}

// Publish see Source. It goes to the subscribers of the embedded broker, at
// once: those that are away get it only if it is retained, or if their session
// waits for them.
func (e *Embedded) Publish(ctx context.Context, o Outgoing) error {
	if err := o.check(); err != nil {
		return err
	}
	e.mu.Lock()
	up := e.listening && !e.closed
	e.mu.Unlock()
	if !up || ctx.Err() != nil {
		return fmt.Errorf("publish to %s: the embedded broker does not listen (%w)", o.Topic, ErrNotSent)
	}
	if err := e.server.Publish(o.Topic, o.Payload, o.Retain, o.QoS); err != nil {
		return fmt.Errorf("publish to %s: %w", o.Topic, err)
	}
	return nil
}
