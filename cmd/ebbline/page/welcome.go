package page

import (
	"context"
	"net/http"
	"slices"
	"sync"
	"unicode/utf8"
)

// While no batch was ever pitched, the overview leads to a page that says what to do
// first; from there on a terminal is not needed. The password can be changed there
// and later.

// shortestPassword is in characters; common practice for a person's own choice.
const shortestPassword = 10

// passwordKept is the password's hash in force.
type passwordKept struct {
	mu   sync.Mutex
	hash string
}

func (s *Server) passwordHash() string {
	s.password.mu.Lock()
	defer s.password.mu.Unlock()
	return s.password.hash
}

// passwordPage is the form for another password, and at the beginning what to
// do first.
type passwordPage struct {
	Welcome, Changeable bool
	Errors              map[string]string
}

// welcomeRoutes are the first steps and the change of the password.
func (s *Server) welcomeRoutes() []route {
	return []route{
		{"GET /welcome", person, s.getWelcome},
		{"GET /password", person, s.getPassword},
		{"POST /password", person, s.postPassword},
	}
}

func (s *Server) getWelcome(w http.ResponseWriter, r *http.Request) {
	s.showPassword(w, r, http.StatusOK, passwordPage{Welcome: true})
}

func (s *Server) getPassword(w http.ResponseWriter, r *http.Request) {
	s.showPassword(w, r, http.StatusOK, passwordPage{})
}

func (s *Server) showPassword(w http.ResponseWriter, r *http.Request, code int, p passwordPage) {
	p.Changeable = s.opts.KeepPassword != nil
	title := "Change the password"
	if p.Welcome {
		title = "First steps"
	}
	s.show(w, r, code, "password", frame{Title: title, Here: "access", Body: p})
}

func (s *Server) postPassword(w http.ResponseWriter, r *http.Request) {
	p := passwordPage{Errors: map[string]string{}}
	old, next := r.PostFormValue("old"), r.PostFormValue("new")
	switch {
	case s.opts.KeepPassword == nil:
		s.trouble(w, r, http.StatusConflict, "Not changed", "The password cannot be changed here.")
		return
	case utf8.RuneCountInString(next) < shortestPassword:
		p.Errors["new"] = "Too short: 10 characters at least. Four words in a row are easy to keep."
	case len(next) > longestPassword:
		p.Errors["new"] = "Too long: 256 bytes at most."
	case next != r.PostFormValue("again"):
		p.Errors["again"] = "This is not the same as above."
	}
	code := http.StatusUnprocessableEntity
	if len(p.Errors) == 0 {
		var err error
		if code, err = s.checkOld(r, old, p.Errors); err == nil && len(p.Errors) == 0 {
			err = s.keepPassword(r, next)
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
	}
	if len(p.Errors) > 0 {
		s.showPassword(w, r, code, p)
		return
	}
	http.Redirect(w, r, "/access?done=password", http.StatusSeeOther)
}

// checkOld makes sure that it is not somebody at a phone that was left lying;
// guessing is as slow as at the login.
func (s *Server) checkOld(r *http.Request, old string, faults map[string]string) (int, error) {
	if ok, wait := s.login.admit(s.asker(r), s.opts.Wall()); !ok {
		faults["old"] = "Too many attempts. Wait " + span(wait) + " and try again."
		return http.StatusTooManyRequests, nil
	}
	good, err := s.login.check(r.Context(), s.passwordHash(), old)
	if err == nil && !good {
		faults["old"] = "That is not the password in use."
	}
	return http.StatusForbidden, err
}

// keepPassword changes it and ends every session but the one that asks.
func (s *Server) keepPassword(r *http.Request, next string) error {
	hash, err := HashPassword(next)
	if err != nil {
		return err
	}
	s.password.mu.Lock()
	defer s.password.mu.Unlock()
	if err := s.opts.KeepPassword(r.Context(), hash); err != nil {
		return err
	}
	s.password.hash = hash
	return s.sessions.only(r.Context(), sessionOf(r))
}

// only takes back every grant but the one with this ID.
func (g *grants) only(ctx context.Context, id string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.load(ctx); err != nil {
		return err
	}
	return g.keep(ctx, slices.DeleteFunc(slices.Clone(g.list), func(o grant) bool { return o.ID != id }))
}
