package page

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"ebbline/ingest/journal"
)

// loginForm is what the login page shows.
type loginForm struct {
	To, Error string
}

// escape makes a path fit for a query.
func escape(s string) string { return url.QueryEscape(s) }

// inside keeps a way back on this site; anything else leads to the overview.
func inside(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil ||
		!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") {
		return "/"
	}
	return to
}

func (s *Server) getLogin(w http.ResponseWriter, r *http.Request) {
	f := loginForm{To: inside(r.URL.Query().Get("to"))}
	if s.opts.Open || sessionOf(r) != "" {
		http.Redirect(w, r, f.To, http.StatusSeeOther)
		return
	}
	s.show(w, r, http.StatusOK, "login", frame{Title: "Log in", Body: f})
}

func (s *Server) postLogin(w http.ResponseWriter, r *http.Request) {
	f := loginForm{To: inside(r.PostFormValue("to"))}
	again := func(status int, text string) {
		f.Error = text
		s.show(w, r, status, "login", frame{Title: "Log in", Body: f})
	}
	hash := s.passwordHash()
	if hash == "" {
		again(http.StatusForbidden, "No password is set, so nobody can log in. Restart ebbline: it prints a first password.")
		return
	}
	if ok, wait := s.login.admit(s.asker(r), s.opts.Wall()); !ok {
		s.login.quiet.Do(func() {
			s.log.Warn("login not looked at: too many wrong passwords, not even the right one is taken for some seconds", "from", s.asker(r))
		})
		w.Header().Set("Retry-After", strconv.Itoa(int(wait.Seconds())))
		again(http.StatusTooManyRequests, "Too many attempts. Wait "+span(wait)+" and try again.")
		return
	}
	good, err := s.login.check(r.Context(), hash, r.PostFormValue("password"))
	if err != nil {
		s.log.Error("password not checked", "error", err)
		again(http.StatusInternalServerError, "The password could not be checked. The daemon's log says why.")
		return
	}
	if !good {
		s.log.Warn("login refused: wrong password", "from", s.asker(r))
		again(http.StatusForbidden, "That is not the password.")
		return
	}
	// A new session each time: one that was planted before is worth nothing.
	word, _, err := s.sessions.add(r.Context(), "", s.opts.Wall(), sessionLife)
	if err != nil {
		s.log.Error("session not kept", "error", err)
		var unwritten *journal.ErrUnwritten
		if errors.As(err, &unwritten) {
			again(http.StatusServiceUnavailable, "The password is right, but nobody can be logged in now. "+unwrittenWords(unwritten))
			return
		}
		again(http.StatusInternalServerError, "The login could not be kept. The daemon's log says why.")
		return
	}
	c := s.cookie(r, word)
	c.MaxAge = int(sessionLife.Seconds())
	http.SetCookie(w, c)
	http.Redirect(w, r, f.To, http.StatusSeeOther)
}

// cookie holds a session. Over plain HTTP it cannot be Secure: browsers drop it.
func (s *Server) cookie(r *http.Request, word string) *http.Cookie {
	return &http.Cookie{
		Name: cookieName, Value: word, Path: "/", HttpOnly: true,
		SameSite: http.SameSiteLaxMode, Secure: s.overTLS(r),
	}
}

func (s *Server) postLogout(w http.ResponseWriter, r *http.Request) {
	if id := sessionOf(r); id != "" {
		if _, err := s.sessions.remove(r.Context(), id); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	c := s.cookie(r, "")
	c.MaxAge = -1
	http.SetCookie(w, c)
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}
