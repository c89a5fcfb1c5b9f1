package page

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"ebbline/ingest/journal"
)

// sessionLife is how long a login lasts.
const sessionLife = 30 * 24 * time.Hour

// mostSessions bounds what logging in can make the journal hold.
const mostSessions = 64

// grant is a secret that was given out: only its hash is kept.
type grant struct {
	Hash    string    `json:"hash"`
	ID      string    `json:"id"`
	Name    string    `json:"name,omitempty"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"`
}

// grants is a list of grants kept in the journal under one key, so that a
// restart logs nobody out.
type grants struct {
	mu     sync.Mutex
	key    string
	most   int
	store  settings
	loaded bool
	list   []grant
}

func fingerprint(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// load reads the list once; call it with mu held.
func (g *grants) load(ctx context.Context) error {
	if g.loaded {
		return nil
	}
	text, ok, err := g.store.Get(ctx, g.key)
	if errors.Is(err, journal.ErrChanged) { // nobody is let in by it
		err, ok = nil, false
	}
	if err != nil {
		return fmt.Errorf("read %s: %w", g.key, err)
	}
	if ok {
		if err := json.Unmarshal([]byte(text), &g.list); err != nil {
			return fmt.Errorf("read %s: %w", g.key, err)
		}
	}
	g.loaded = true
	return nil
}

// keep makes list durable, then current; call it with mu held.
func (g *grants) keep(ctx context.Context, list []grant) error {
	b, err := json.Marshal(list)
	if err != nil {
		return fmt.Errorf("write %s: %w", g.key, err)
	}
	if err := g.store.Set(ctx, g.key, string(b)); err != nil {
		return fmt.Errorf("write %s: %w", g.key, err)
	}
	g.list = list
	return nil
}

// add gives out a new secret; life 0 never ends.
func (g *grants) add(ctx context.Context, name string, now time.Time, life time.Duration) (string, grant, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.load(ctx); err != nil {
		return "", grant{}, err
	}
	word := secret(32)
	n := grant{Hash: fingerprint(word), ID: secret(6), Name: name, Created: now}
	if life > 0 {
		n.Expires = now.Add(life)
	}
	list := slices.DeleteFunc(slices.Clone(g.list), func(o grant) bool { return o.dead(now) })
	if len(list) >= g.most {
		list = list[len(list)-g.most+1:] // the oldest go
	}
	return word, n, g.keep(ctx, append(list, n))
}

// living counts the grants that have not expired; 0 if they cannot be read.
func (g *grants) living(ctx context.Context, now time.Time) (n int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.load(ctx) != nil {
		return 0
	}
	for _, o := range g.list {
		if !o.dead(now) {
			n++
		}
	}
	return n
}

// Sessions counts the logins that have not expired.
func (s *Server) Sessions(now time.Time) int { return s.sessions.living(context.Background(), now) }

func (g grant) dead(now time.Time) bool { return !g.Expires.IsZero() && !now.Before(g.Expires) }

// find tells whose secret it is. Hashes are compared, so timing tells nothing
// about the secret.
func (g *grants) find(ctx context.Context, word string, now time.Time) (grant, bool, error) {
	if word == "" {
		return grant{}, false, nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.load(ctx); err != nil {
		return grant{}, false, err
	}
	h := fingerprint(word)
	for _, o := range g.list {
		if o.Hash == h && !o.dead(now) {
			return o, true, nil
		}
	}
	return grant{}, false, nil
}

// remove takes back the grant with this ID and tells whether there was one.
func (g *grants) remove(ctx context.Context, id string) (bool, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.load(ctx); err != nil {
		return false, err
	}
	list := slices.DeleteFunc(slices.Clone(g.list), func(o grant) bool { return o.ID == id })
	if len(list) == len(g.list) {
		return false, nil
	}
	return true, g.keep(ctx, list)
}

// all lists the living grants, oldest first.
func (g *grants) all(ctx context.Context, now time.Time) ([]grant, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.load(ctx); err != nil {
		return nil, err
	}
	return slices.DeleteFunc(slices.Clone(g.list), func(o grant) bool { return o.dead(now) }), nil
}
