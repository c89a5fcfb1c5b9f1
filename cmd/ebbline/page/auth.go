package page

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

const cookieName = "ebbline"

// Keys in a request's context.
type ctxKey int

const sessionKey ctxKey = iota

// sessionOf is the ID of the session that a request belongs to, or "".
func sessionOf(r *http.Request) string {
	id, _ := r.Context().Value(sessionKey).(string)
	return id
}

// withSession finds out whose request it is. A store that cannot be read
// leaves the request without a session.
func (s *Server) withSession(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, err := r.Cookie(cookieName); err == nil {
			g, ok, err := s.sessions.find(r.Context(), c.Value, s.opts.Wall())
			if err != nil {
				s.log.Error("session not looked up", "error", err)
			}
			if ok {
				r = r.WithContext(context.WithValue(r.Context(), sessionKey, g.ID))
			}
		}
		next.ServeHTTP(w, r)
	})
}

// hasToken reports whether the request carries an API token of ours.
func (s *Server) hasToken(r *http.Request) bool {
	word, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		return false
	}
	_, found, err := s.tokens.find(r.Context(), strings.TrimSpace(word), s.opts.Wall())
	if err != nil {
		s.log.Error("token not looked up", "error", err)
	}
	return found
}

// access is who may use a route.
type access int

const (
	anyone   access = iota
	person          // a session, else to the login page
	reader          // a session, a token, or a program on this machine
	writer          // a session or a token
	personal        // a session: what a token must not do, such as making tokens
)

// guard lets through whom the route is for.
func (s *Server) guard(a access, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ok := a == anyone || s.opts.Open || sessionOf(r) != ""
		switch a {
		case reader:
			ok = ok || s.hasToken(r) || s.onThisMachine(r)
		case writer:
			ok = ok || s.hasToken(r)
		}
		switch {
		case ok:
			next(w, r)
		case a == person && (r.Method == http.MethodGet || r.Method == http.MethodHead):
			http.Redirect(w, r, "/login?to="+escape(r.URL.RequestURI()), http.StatusSeeOther)
		case a == person:
			s.trouble(w, r, http.StatusForbidden, "Log in first",
				"Nothing was changed: this browser is not logged in. Log in, then enter it again.")
		default:
			w.Header().Set("WWW-Authenticate", `Bearer realm="ebbline"`)
			s.problem(w, r, http.StatusUnauthorized, "Log in or send an API token",
				"Send the header “Authorization: Bearer TOKEN”; tokens are made on the page under Access.")
		}
	}
}

// onThisMachine reports whether a program on this machine asks directly: from
// loopback, by a loopback name, with no sign of a proxy, and only while the
// page is not published under another name (a proxy may hide all its signs).
func (s *Server) onThisMachine(r *http.Request) bool {
	if s.public != nil && !loopbackName(s.public.Hostname()) {
		return false
	}
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	addr, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && addr.Addr().Unmap().IsLoopback() && loopbackName(hostOnly(r.Host))
}

func loopbackName(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// hostOnly takes the port and the brackets off a Host header.
func hostOnly(h string) string {
	if host, _, err := net.SplitHostPort(h); err == nil {
		return host
	}
	return strings.Trim(h, "[]")
}

// loginGuard slows guessing down and bounds the memory that hashing takes.
type loginGuard struct {
	all   *rate.Limiter
	slots chan struct{}
	mu    sync.Mutex
	each  map[netip.Addr]*rate.Limiter
	quiet rate.Sometimes // thins out what guessers can make us log
}

// Guesses allowed: five at once and one in ten seconds from one address,
// twenty at once and one a second from all together.
func newLoginGuard() *loginGuard {
	return &loginGuard{
		all: rate.NewLimiter(1, 20), slots: make(chan struct{}, 1), each: map[netip.Addr]*rate.Limiter{}, quiet: rate.Sometimes{Interval: 10 * time.Second},
	}
}

// admit reports whether this address may guess now; else how long to wait.
func (g *loginGuard) admit(from netip.Addr, now time.Time) (bool, time.Duration) {
	if from.Is6() { // a home has a whole /64 to guess from
		p, _ := from.Prefix(64)
		from = p.Addr()
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	one := g.each[from]
	if one == nil {
		if len(g.each) >= 4096 {
			clear(g.each) // the limit over all still holds
		}
		one = rate.NewLimiter(rate.Every(10*time.Second), 5)
		g.each[from] = one
	}
	if !one.AllowN(now, 1) {
		return false, 10 * time.Second
	}
	if !g.all.AllowN(now, 1) {
		return false, 2 * time.Second
	}
	return true, 0
}

// check hashes, one at a time: two at once were killed where 64 MB are allowed.
func (g *loginGuard) check(ctx context.Context, hash, password string) (bool, error) {
	select {
	case g.slots <- struct{}{}:
		defer func() { <-g.slots }()
		return checkPassword(hash, password)
	case <-ctx.Done():
		return false, ctx.Err()
	}
}
