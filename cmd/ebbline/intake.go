package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sort"
	"sync"
	"syscall"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// take decides one message: decoded, checked and queued for the disk in the order
// of arrival when it returns, durable when it is settled.
func (d *daemon) take(ctx context.Context, m ingest.Message) (broker.Settle, error) {
	if d.commanded(m.Topic) {
		return nil, nil // our own command, come back by a wide filter
	}
	d.pulse.begin()
	defer d.pulse.end()
	d.decodeMu.Lock()
	readings, refusals := d.mapper.Load().Decode(m)
	d.decodeMu.Unlock()
	if len(readings) == 0 && len(refusals) == 0 {
		return nil, nil
	}
	wait := d.journal.Enqueue(ctx, readings, refusals)
	return func(ctx context.Context) error {
		d.pulse.begin()
		defer d.pulse.end()
		return d.taken(wait(ctx), m.Topic, readings, refusals)
	}, nil
}

// taken goes on once it is known whether what a message held is on disk.
func (d *daemon) taken(err error, topic string, readings []ingest.Reading, refusals []ingest.Refusal) error {
	if errors.Is(err, journal.ErrInvalid) {
		d.log.Error("a message can never be stored and is let go", "topic", topic, "error", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("storing a message of topic %q: %w", topic, err)
	}
	d.refusals.add(refusals)
	d.clocks.heard(readings, refusals)
	d.keeper.arrived(readings)
	return nil
}

// startSource connects to the broker of the configuration, or is one.
func (d *daemon) startSource(ctx context.Context) error {
	var err error
	if d.conf().MQTT.URL != "" {
		d.source, err = d.subscriber(ctx)
	} else {
		d.source, err = d.embedded()
	}
	if err != nil {
		return err
	}
	if err := d.source.Start(ctx); err != nil {
		err = inUse("mqtt", d.conf().MQTT.Listen, fmt.Errorf("listening for readings: %w", err))
		if errors.Is(err, syscall.EADDRINUSE) {
			err = fmt.Errorf("%w; if it is another broker, its readings are had by mqtt: {url: %q}", err, "tcp://"+d.conf().MQTT.Listen)
		}
		return err
	}
	d.onStop("broker", d.source.Close)
	d.onStop("look around", d.stopLooking)
	return nil
}

func (d *daemon) subscriber(ctx context.Context) (broker.Source, error) {
	password, err := config.Secret(d.conf().MQTT.PasswordFile, config.MQTTPasswordEnv)
	if err != nil {
		return nil, err
	}
	secure, err := brokerTLS(d.conf().MQTT, d.log)
	if err != nil {
		return nil, err
	}
	id, err := d.clientID(ctx)
	if err != nil {
		return nil, err
	}
	return broker.NewSubscriber(broker.SubscriberConfig{
		URLs: []string{d.conf().MQTT.URL}, Username: d.conf().MQTT.Username, Password: password, ClientID: id,
		Filters: d.mapper.Load().Filters(), TLS: secure, Refused: d.refused, Logger: d.log, Now: d.clock.Now,
	}, d.take)
}

// clientID is made once and kept: the broker keeps our session under it.
func (d *daemon) clientID(ctx context.Context) (string, error) {
	const key = "mqtt client id"
	id, ok, err := d.journal.Get(ctx, key)
	if ok || err != nil && !errors.Is(err, journal.ErrChanged) {
		return id, err
	}
	b := make([]byte, 6)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("drawing a client id: %w", err)
	}
	id = "ebbline-" + hex.EncodeToString(b)
	return id, d.journal.Set(ctx, key, id)
}

func (d *daemon) embedded() (broker.Source, error) {
	users, err := brokerUsers(d.conf())
	if err != nil {
		return nil, err
	}
	secure, err := brokerTLS(d.conf().MQTT, d.log)
	if err != nil {
		return nil, err
	}
	return broker.NewEmbedded(broker.EmbeddedConfig{
		Listen: d.conf().MQTT.Listen, Users: users, TLS: secure, Refused: d.refused, Logger: d.log, Now: d.clock.Now,
	}, d.take)
}

// brokerUsers are the users of the embedded broker with their passwords.
func brokerUsers(cfg *config.Config) ([]broker.User, error) {
	var users []broker.User
	for _, u := range cfg.MQTT.Users {
		password, err := config.Secret(u.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("password of the broker's user %s: %w", u.Name, err)
		}
		publish, subscribe := u.Rights()
		users = append(users, broker.User{Name: u.Name, Password: password, Publish: publish, Subscribe: subscribe})
	}
	return users, nil
}

// brokerTLS is the encryption that the configuration's files ask for, or nil. An
// embedded broker takes up renewed files by itself.
func brokerTLS(m config.MQTT, log *slog.Logger) (*tls.Config, error) {
	if m.CAFile == "" && m.CertFile == "" {
		return nil, nil
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	pool, err := authorities(m.CAFile)
	if err != nil {
		return nil, fmt.Errorf("mqtt.ca_file: %w", err)
	}
	if m.URL == "" {
		served, err := page.TLS("mqtt", m.CertFile, m.KeyFile, log)
		if err != nil {
			return nil, err
		}
		if c.GetCertificate = served.GetCertificate; pool != nil {
			c.ClientCAs, c.ClientAuth = pool, tls.RequireAndVerifyClientCert
		}
		return c, nil
	}
	c.RootCAs = pool
	if m.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(m.CertFile, m.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("reading the certificate for MQTT: %w", err)
		}
		c.Certificates = []tls.Certificate{cert}
	}
	return c, nil
}

// refused notes a message that never came as far as decoding.
func (d *daemon) refused(r ingest.Refusal) {
	d.refusals.add([]ingest.Refusal{r})
	d.journal.Enqueue(context.Background(), nil, []ingest.Refusal{r}) // for viewing only: nobody waits for it
}

// defined reports whether the daemon knows a sensor of this name.
func (d *daemon) defined() config.Defined {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	all, _ := d.settled(d.sensors)
	return config.Names(all)
}

// learnSensors takes up the sensors a batch file brings and returns the names
// of those the batch uses.
func (d *daemon) learnSensors(file config.BatchFile) ([]string, error) {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	next := make(map[string]ingest.Sensor, len(d.sensors)+len(file.Sensors))
	for n, s := range d.sensors {
		next[n] = s
	}
	for _, s := range file.Sensors {
		next[s.Name] = s
	}
	if _, err := ingest.Compile(sensorList(next)); err != nil {
		return nil, err
	}
	d.sensors = next
	return file.Batch.Sensors, nil
}

// describedBy takes up the sensors that the files of running batches bring, the latest
// started first: of several descriptions that of the batch with the sensor counts, or
// else that of the latest.
func (d *daemon) describedBy(batches []journal.Batch) {
	for _, own := range []bool{false, true} {
		for _, b := range slices.Backward(batches) {
			r, _ := d.keeper.about(b.ID)
			for _, s := range r.file.Sensors {
				if !own || slices.Contains(b.Sensors, s.Name) {
					d.sensors[s.Name] = s
				}
			}
		}
	}
}

func sensorList(m map[string]ingest.Sensor) []ingest.Sensor {
	list := make([]ingest.Sensor, 0, len(m))
	for _, s := range m {
		list = append(list, s)
	}
	sort.Slice(list, func(i, j int) bool { return list[i].Name < list[j].Name })
	return list
}

// warm tells the mapper the sensors in the journal, and their last temperatures,
// by which floats that do not correct themselves are corrected.
func (d *daemon) warm(ctx context.Context) error {
	seen, err := d.journal.Seen(ctx)
	if err != nil {
		return fmt.Errorf("reading the last temperatures: %w", err)
	}
	for _, s := range seen {
		d.mapper.Load().Know(s.Sensor)
		if s.Last.Quantity == ingest.Temperature {
			d.mapper.Load().SeedTemperature(s.Last.Sensor, gravity.Celsius(s.Last.Value), s.Last.Time)
		}
	}
	return nil
}

// compile makes the mapper of the sensors known now.
func (d *daemon) compile() error {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	all, unused := d.settled(d.sensors)
	for name, why := range unused {
		d.log.Warn("a sensor that was defined on the page is not used", "sensor", name, "why", why)
	}
	m, err := ingest.Compile(all)
	if err != nil {
		return fmt.Errorf("sensors: %w", err)
	}
	d.decodeMu.Lock()
	defer d.decodeMu.Unlock()
	if old := d.mapper.Load(); old != nil {
		m.Adopt(old)
	}
	d.mapper.Store(m)
	return nil
}

// refilter lets the broker know of topics that a new batch brought.
func (d *daemon) refilter() error {
	if err := d.compile(); err != nil {
		return err
	}
	if s, ok := d.source.(interface{ SetFilters([]string) error }); ok {
		return s.SetFilters(d.filters())
	}
	return nil
}

// refusalCounts counts refusals by reason since the start.
type refusalCounts struct {
	mu sync.Mutex
	n  map[ingest.Reason]int
}

func newRefusalCounts() *refusalCounts { return &refusalCounts{n: map[ingest.Reason]int{}} }

func (c *refusalCounts) add(refusals []ingest.Refusal) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, r := range refusals {
		c.n[r.Reason]++
	}
}

func (c *refusalCounts) counts() map[ingest.Reason]int {
	c.mu.Lock()
	defer c.mu.Unlock()
	m := make(map[ingest.Reason]int, len(c.n))
	for k, v := range c.n {
		m[k] = v
	}
	return m
}
