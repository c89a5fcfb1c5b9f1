package main

import (
	"context"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/projection"
)

const (
	// storyStep is by how much a demo's clock goes on at once; below the age from
	// which the daemon takes a reading for one of the past.
	storyStep = 5 * time.Minute
	// beliefEvery is how often the narrator compares belief and truth.
	beliefEvery = 12 * time.Hour
	// beliefLag is how far beliefs may stay behind before the story waits for
	// them: estimates come hourly at least. storyPatience bounds the wait.
	beliefLag     = 90 * time.Minute
	storyPatience = 5 * time.Second
)

// cellarPH is what the brewer always measures: below 3.9, the most that finished
// beer of this kind should have (common practice).
const cellarPH = 3.8

// house is what the virtual brewer asks of the daemon, by the same doors as the
// page.
type house interface {
	StartBatch(ctx context.Context, raw []byte) (id string, err error)
	AddSample(ctx context.Context, batch string, s page.Sample) error
	CrashStarted(ctx context.Context, batch string, at time.Time, key string) error
	Packaged(ctx context.Context, batch string, p page.Package) error
	Acknowledge(ctx context.Context, alertID string) error
	// Finally is what is believed of a packaged batch, as its page says it.
	Finally(ctx context.Context, batch string) (*projection.Estimate, error)
}

// story drives a demo: the clock, the virtual beer, its floats and its brewer.
type story struct {
	vats  []*vat
	house house
	clock *steppedClock
	heard <-chan said
	tell  *narrator
	send  func(ctx context.Context, topic string, payload []byte) error
	wait  func(ctx context.Context, step time.Duration) error
}

// run tells the story until every batch is in its keg or ctx ends.
func (s *story) run(ctx context.Context) error {
	t := s.vats[0].v.PitchedAt
	s.clock.set(t)
	for _, b := range s.vats {
		id, err := s.house.StartBatch(ctx, batchFileOf(b.v, b.name, nil, true))
		if err != nil {
			return fmt.Errorf("starting the virtual batch %s: %w", b.name, err)
		}
		b.id = id
		s.tell.pitch(b)
	}
	for ; !s.over(); t = t.Add(storyStep) {
		s.clock.set(t)
		if err := s.moment(ctx, t); err != nil {
			return err
		}
		if err := s.wait(ctx, storyStep); err != nil {
			return err
		}
	}
	return nil
}

func (s *story) over() bool {
	for _, b := range s.vats {
		if b.kegged.IsZero() {
			return false
		}
	}
	return true
}

// moment is all that happens at t.
func (s *story) moment(ctx context.Context, t time.Time) error {
	if err := s.listen(ctx, t); err != nil {
		return err
	}
	since := t.Sub(s.vats[0].v.PitchedAt)
	for _, b := range s.vats {
		for _, d := range b.due(t) {
			if err := s.do(ctx, b, d, t); err != nil {
				return fmt.Errorf("%s, %s: %w", b.name, d, err)
			}
		}
		if !b.kegged.IsZero() {
			continue
		}
		if since%sendEvery == 0 {
			if err := s.publish(ctx, b, t); err != nil {
				return fmt.Errorf("publishing a reading of %s: %w", b.name, err)
			}
		}
		if since > 0 && since%beliefEvery == 0 {
			s.tell.belief(b, t, b.v.At(t))
		}
	}
	return s.tell.err
}

// listen hears what ebbline said by now. If its beliefs have stayed behind, it
// waits for them, so that the brewer never acts before the word reaches her.
func (s *story) listen(ctx context.Context, t time.Time) error {
	limit := time.NewTimer(storyPatience)
	defer limit.Stop()
	for {
		if s.upToDate(t) {
			select {
			case w := <-s.heard:
				if err := s.hear(ctx, w); err != nil {
					return err
				}
				continue
			default:
				return nil
			}
		}
		select {
		case w := <-s.heard:
			if err := s.hear(ctx, w); err != nil {
				return err
			}
		case <-limit.C:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (s *story) upToDate(t time.Time) bool {
	for _, b := range s.vats {
		since := b.v.PitchedAt
		if b.estimate != nil {
			since = b.estimate.Time
		}
		if b.kegged.IsZero() && t.Sub(since) > beliefLag {
			return false
		}
	}
	return true
}

// hear passes on what a watch said to the brewer and the narrator.
func (s *story) hear(ctx context.Context, w said) error {
	for _, b := range s.vats {
		if b.id != w.Batch || !b.kegged.IsZero() {
			continue
		}
		acknowledge := b.hears(w.Event)
		switch e := w.Event; {
		case e.Alert != nil:
			s.tell.phone(b, e.Time, e.Alert)
		case e.Resolved != nil && worthTelling(e.Resolved.Kind):
			s.tell.resolved(b, e.Time, e.Resolved)
		}
		if acknowledge {
			if err := s.house.Acknowledge(ctx, alertID(b.id, w.Event.Alert.Kind, w.Event.Alert.N)); err != nil {
				return fmt.Errorf("acknowledging %s of %s: %w", w.Event.Alert.Kind, b.name, err)
			}
		}
	}
	return nil
}

// worthTelling reports whether a listener wants to hear that an alert of this
// kind no longer holds; the others end with what the brewer does.
func worthTelling(k alert.Kind) bool {
	switch k {
	case alert.CrashSoon, alert.CrashNow, alert.SampleDue, alert.PH:
		return false
	}
	return true
}

func (s *story) do(ctx context.Context, b *vat, d deed, t time.Time) error {
	key := fmt.Sprintf("demo %s %d", d, t.Unix())
	switch d {
	case takeSample:
		g := b.samples(t)
		value := float64(g)
		s.tell.sample(b, t, g)
		return s.house.AddSample(ctx, b.id, page.Sample{Time: t, Gravity: &value, Key: key})
	case measurePH:
		ph := cellarPH
		b.phTaken = true
		s.tell.ph(b, t, ph)
		return s.house.AddSample(ctx, b.id, page.Sample{Time: t, PH: &ph, Key: key})
	case startCrash:
		b.cools(t)
		s.tell.crash(b, t)
		return s.house.CrashStarted(ctx, b.id, t, key)
	case fillKeg:
		if err := s.house.Packaged(ctx, b.id, page.Package{Time: t, Into: "keg", Key: key}); err != nil {
			return err
		}
		believed, err := s.house.Finally(ctx, b.id)
		if err != nil {
			return err
		}
		b.isKegged(t, believed)
		s.tell.keg(b, t)
	}
	return nil
}

// publish sends what the sensors of a batch show at t, with their own clock.
func (s *story) publish(ctx context.Context, b *vat, t time.Time) error {
	for _, r := range b.v.Read(t) {
		if r.Gravity != nil {
			b.shown = *r.Gravity
		}
		if err := s.send(ctx, "cellar/"+r.Sensor, payloadOf(r, t.UTC().Format(time.RFC3339))); err != nil {
			return err
		}
	}
	return nil
}

// sensorLink is the MQTT client of the virtual floats.
type sensorLink struct{ client mqtt.Client }

// connectSensors connects to a broker at host:port.
func connectSensors(ctx context.Context, addr string) (*sensorLink, error) {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).
		SetClientID("virtual-cellar").SetConnectTimeout(5 * time.Second))
	if err := settled(ctx, client.Connect()); err != nil {
		return nil, fmt.Errorf("connecting the virtual floats to %s: %w", addr, err)
	}
	return &sensorLink{client}, nil
}

// send publishes at QoS 1 and returns when the broker has acknowledged, which
// means that the reading is stored.
func (l *sensorLink) send(ctx context.Context, topic string, payload []byte) error {
	return settled(ctx, l.client.Publish(topic, 1, false, payload))
}

func (l *sensorLink) close() { l.client.Disconnect(100) }

func settled(ctx context.Context, token mqtt.Token) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-token.Done():
		return token.Error()
	}
}
