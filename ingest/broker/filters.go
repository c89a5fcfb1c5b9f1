package broker

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

const (
	// subscribeQoS asks for at-least-once; the broker lowers QoS 2 to it, and
	// messages that were sent with QoS 0 stay so.
	subscribeQoS byte = 1
	// refusedCode is the broker's "no" to one filter (MQTT 3.1.1 §3.9.3). Paho
	// reports no error for it.
	refusedCode byte = 0x80
)

// SetFilters changes the subscriptions, at once if connected, else with the next
// connection; Status tells when they are granted. Filters that a former run had
// asked for and this one never did stay with the broker's session: their
// messages still come and are the Handler's to refuse. An error names the first
// filter that is not valid; then nothing changes.
func (s *Subscriber) SetFilters(filters []string) error {
	for _, f := range filters {
		if err := checkFilter(f); err != nil {
			return fmt.Errorf("subscriber: %w", err)
		}
	}
	filters = unique(filters)
	s.mu.Lock()
	for _, old := range s.filters {
		if !slices.Contains(filters, old) {
			s.stale[old] = true
		}
	}
	for _, f := range filters {
		delete(s.stale, f)
	}
	s.filters = filters
	s.mu.Unlock()
	select {
	case s.kick <- struct{}{}:
	default:
	}
	return nil
}

// subscribe asks the broker for what is not yet granted and gives back what is
// no longer wanted. An error means that the broker did not answer.
func (l *link) subscribe() error {
	s := l.sub
	s.mu.Lock()
	var stale []string
	for f := range s.stale {
		stale = append(stale, f)
	}
	ask := map[string]byte{}
	for _, f := range s.filters {
		if code, answered := s.granted[f]; !answered || code == refusedCode {
			ask[f] = subscribeQoS
		}
	}
	s.mu.Unlock()
	if len(stale) > 0 {
		if err := s.await(l.client.Unsubscribe(stale...)); err != nil {
			return fmt.Errorf("unsubscribing: %w", err)
		}
	}
	var result map[string]byte
	if len(ask) > 0 {
		token := l.client.SubscribeMultiple(ask, nil).(*mqtt.SubscribeToken)
		if err := s.await(token); err != nil {
			return fmt.Errorf("subscribing: %w", err)
		}
		result = token.Result()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range stale {
		delete(s.stale, f)
		delete(s.granted, f)
	}
	for f := range ask {
		code, answered := result[f]
		if !answered { // the connection broke in between; Paho completes the token all the same
			continue
		}
		s.granted[f] = code
		if code == refusedCode {
			s.in.log.Error("the broker refuses a subscription", "filter", f, "client_id", s.cfg.ClientID)
		}
	}
	return nil
}

func (s *Subscriber) await(t mqtt.Token) error {
	return mqtt.WaitTokenTimeout(t, s.cfg.KeepAlive+s.cfg.PingTimeout)
}

func (s *Subscriber) anyRefused() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, code := range s.granted {
		if code == refusedCode {
			return true
		}
	}
	return false
}

// up notes a connection that the broker has accepted.
func (s *Subscriber) up(l *link, sessionPresent bool) {
	s.in.connections.Add(1)
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.in.now()
	if s.everOpen && !sessionPresent {
		s.sessionsLost++
		s.gap = Gap{From: s.lostAt, To: now}
		s.in.log.Error("the broker has forgotten our session; messages may be missing", "from", s.gap.From, "to", now)
	}
	s.everOpen = true
	s.link, s.since, s.attempt, s.wait = l, now, nil, 0
	s.granted = map[string]byte{}
	s.in.log.Info("connected to the broker", "client_id", s.cfg.ClientID, "session_present", sessionPresent)
}

// down notes that the connection has ended.
func (s *Subscriber) down() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.link, s.since = nil, s.in.now()
	s.lostAt = s.since
	s.granted = nil
}

// explain says in plain words why the broker did not take us.
func explain(err error, user, clientID string) error {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return fmt.Errorf("the broker refuses user %q or its password: %w", user, err)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker refuses client id %q: %w", clientID, err)
	}
	text := strings.TrimPrefix(err.Error(), packets.ErrorNetworkError.Error()+" : ")
	return fmt.Errorf("cannot reach the broker: %s", text)
}

// Status see Source.
func (s *Subscriber) Status() Status {
	st := s.in.status()
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.in.now()
	st.Since, st.SessionsLost, st.LastGap = s.since, s.sessionsLost, s.gap
	// IsConnected stays true with the broker gone; IsConnectionOpen does not.
	st.Connected = s.link != nil && s.link.client.IsConnectionOpen()
	for _, f := range s.filters {
		fs := FilterStatus{Filter: f}
		code, answered := s.granted[f]
		fs.Granted = answered && code != refusedCode
		if answered && !fs.Granted {
			fs.Problem = fmt.Sprintf("the broker refuses the subscription to %s: give user %q the right to read it", f, s.cfg.Username)
		}
		st.Filters = append(st.Filters, fs)
	}
	if p := s.problem(st, now); p != "" {
		st.Problem = p
	}
	return st
}

// problem picks what matters most; the Handler's own trouble stands already in st.
func (s *Subscriber) problem(st Status, now time.Time) string {
	quiet := s.cfg.KeepAlive + s.cfg.PingTimeout + 5*time.Second
	switch {
	case s.shortLives >= 3 && (!st.Connected || now.Sub(s.since) < settledAfter):
		return fmt.Sprintf("the broker has closed %d connections in a row soon after they were made: another client may be using our client id %q (each daemon needs its own), or the broker keeps restarting", s.shortLives, s.cfg.ClientID)
	case st.Problem != "":
		return "" // storing fails: the connection is dropped because of it
	case !st.Connected && s.attempt != nil:
		return fmt.Sprintf("%v; trying again every %v", s.attempt, s.wait)
	case !st.Connected:
		return "not connected to the broker yet"
	case !st.LastPacket.IsZero() && now.Sub(st.LastPacket) > quiet && now.Sub(s.since) > quiet:
		return fmt.Sprintf("nothing heard from the broker for %v although the connection looks open", now.Sub(st.LastPacket).Round(time.Second))
	}
	for _, f := range st.Filters {
		if f.Problem != "" {
			return f.Problem
		}
	}
	if len(st.Filters) == 0 {
		return "no topic to listen to: no sensor is configured"
	}
	return ""
}
