package broker

import (
	"errors"
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Wrong passwords allowed for one user from one address: ten at once, then one
// in five seconds. Devices that keep a wrong one are told so at that pace too.
const (
	guessesAtOnce = 10
	guessEvery    = 5 * time.Second
	// maxGuessers bounds the memory that guessing can take.
	maxGuessers = 4096
)

// guesses slows guessing of passwords down. It counts by user and address, so
// that who guesses shuts out neither another user nor the device itself, which
// has another address; and only for users that exist: of the others no password
// is right.
type guesses struct {
	mu   sync.Mutex
	each map[guesser]*rate.Limiter
}

type guesser struct {
	user string
	from netip.Addr
}

// Why a login is refused.
var (
	errWrongLogin = errors.New("unknown user or wrong password")
	errTooSoon    = errors.New("too many wrong passwords of this user from this address: not even the right one is taken for some seconds, let the device wait between tries")
)

// letsIn gives nil if this is a user's password, or nobody needs one.
func (e *Embedded) letsIn(remote string, name, password []byte) error {
	right := func() bool { return e.admits(name, password) }
	if e.knows(name) {
		return e.wrong.try(string(name), remote, e.in.now(), right)
	}
	if !right() {
		return errWrongLogin
	}
	return nil
}

func (e *Embedded) hasUsers() bool { return len(*e.users.Load()) > 0 }

func (e *Embedded) knows(name []byte) bool {
	_, known := (*e.users.Load())[string(name)]
	return known
}

// try asks right, unless too many wrong ones came before: then the answer is no,
// whatever the password. Questions are asked one at a time, so that many at once
// gain nothing.
func (g *guesses) try(user, remote string, now time.Time, right func() bool) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	key := guesser{user, homeOf(remote)}
	l := g.each[key]
	if l != nil && l.TokensAt(now) < 1 {
		return errTooSoon
	}
	if right() {
		delete(g.each, key)
		return nil
	}
	if l == nil {
		if len(g.each) >= maxGuessers {
			clear(g.each)
		}
		l = rate.NewLimiter(rate.Every(guessEvery), guessesAtOnce)
		if g.each == nil {
			g.each = map[guesser]*rate.Limiter{}
		}
		g.each[key] = l
	}
	l.AllowN(now, 1)
	return errWrongLogin
}

// homeOf is the address of a remote host:port; of IPv6 the network, because one
// home has a whole /64. The zero Addr if there is none.
func homeOf(remote string) netip.Addr {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return netip.Addr{}
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Addr{}
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		p, _ := a.Prefix(64)
		a = p.Addr()
	}
	return a
}
