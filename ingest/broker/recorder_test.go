package broker

import (
	"context"
	"sync"
	"testing"
	"time"

	"ebbline/ingest"

	"github.com/stretchr/testify/require"
)

// recorder is a Handler that keeps what it was given. decide, if set, is asked
// first; its error means "not stored".
type recorder struct {
	decide func(ctx context.Context, m ingest.Message, nth int) error
	limit  time.Duration // of a call; 0: the usual one

	mu       sync.Mutex
	seen     map[string]int // calls by topic and payload
	calls    []ingest.Message
	stored   []ingest.Message
	refusals []ingest.Refusal
}

func (r *recorder) handle(ctx context.Context, m ingest.Message) (Settle, error) {
	r.mu.Lock()
	if r.seen == nil {
		r.seen = map[string]int{}
	}
	key := m.Topic + "\x00" + string(m.Payload)
	r.seen[key]++
	nth := r.seen[key]
	r.calls = append(r.calls, m)
	r.mu.Unlock()
	if r.decide != nil {
		if err := r.decide(ctx, m, nth); err != nil {
			return nil, err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stored = append(r.stored, m)
	return nil, nil
}

func (r *recorder) refused(f ingest.Refusal) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refusals = append(r.refusals, f)
}

// all are the messages stored so far, on any topic or on one.
func (r *recorder) all(topic ...string) []ingest.Message {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []ingest.Message
	for _, m := range r.stored {
		if len(topic) == 0 || m.Topic == topic[0] {
			out = append(out, m)
		}
	}
	return out
}

// times is how often the handler was called with that message.
func (r *recorder) times(topic, payload string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seen[topic+"\x00"+payload]
}

func (r *recorder) refusalList() []ingest.Refusal {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]ingest.Refusal(nil), r.refusals...)
}

// wait returns when n messages are stored, on any topic or on one.
func (r *recorder) wait(t testing.TB, n int, topic ...string) []ingest.Message {
	t.Helper()
	require.Eventually(t, func() bool { return len(r.all(topic...)) >= n }, patience, tick, "%d messages on %v", n, topic)
	return r.all(topic...)
}

// payloads of messages, each once, as a set.
func payloads(ms []ingest.Message) map[string]bool {
	set := map[string]bool{}
	for _, m := range ms {
		set[string(m.Payload)] = true
	}
	return set
}
