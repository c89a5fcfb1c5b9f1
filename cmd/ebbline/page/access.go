package page

import (
	"context"
	"net/http"
	"strings"
	"time"
)

// tokens are the API tokens that were given out; sessions the logins.
type (
	tokens   struct{ grants }
	sessions struct{ grants }
)

// mostTokens bounds the tokens that can exist.
const mostTokens = 32

// accessPage lists the API tokens and makes new ones.
type accessPage struct {
	Tokens []grant
	Fresh  string // shown once
	Name   string
	Error  string
	Done   string
}

func (s *Server) getAccess(w http.ResponseWriter, r *http.Request) {
	p := accessPage{}
	if r.URL.Query().Get("done") == "password" {
		p.Done = "The password is changed. Every other browser is logged out."
	}
	s.showAccess(w, r, http.StatusOK, p)
}

func (s *Server) showAccess(w http.ResponseWriter, r *http.Request, status int, p accessPage) {
	var err error
	if p.Tokens, err = s.tokens.all(r.Context(), s.opts.Wall()); err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, status, "access", frame{Title: "Access", Here: "access", Body: p})
}

func (s *Server) postAccess(w http.ResponseWriter, r *http.Request) {
	if id := r.PostFormValue("remove"); id != "" {
		if _, err := s.tokens.remove(r.Context(), id); err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/access", http.StatusSeeOther)
		return
	}
	p := accessPage{Name: strings.TrimSpace(r.PostFormValue("name"))}
	word, refused, err := s.makeToken(r, p.Name)
	switch {
	case err != nil:
		s.fail(w, r, err)
	case refused != nil:
		p.Error = refused.Text
		s.showAccess(w, r, http.StatusUnprocessableEntity, p)
	default:
		p.Fresh, p.Name = word, ""
		s.showAccess(w, r, http.StatusOK, p)
	}
}

// makeToken gives out a token by a name that its owner will know it by.
func (s *Server) makeToken(r *http.Request, name string) (string, *Refused, error) {
	if name == "" || len(name) > 80 {
		return "", &Refused{Field: "name", Text: "Give the token a name of at most 80 bytes, such as the script that will use it."}, nil
	}
	all, err := s.tokens.all(r.Context(), s.opts.Wall())
	if err != nil {
		return "", nil, err
	}
	if len(all) >= mostTokens {
		return "", &Refused{Text: "There are too many tokens. Remove one first."}, nil
	}
	word, _, err := s.tokens.add(r.Context(), name, s.opts.Wall(), 0)
	return word, nil, err
}

func newSessions(store settings) *sessions {
	return &sessions{grants{key: "page.sessions", most: mostSessions, store: store}}
}

// EndSessions logs every browser out. Only while no Server serves this journal:
// a Server knows its sessions by heart.
func EndSessions(ctx context.Context, store settings) error {
	return newSessions(store).only(ctx, "")
}

func newTokens(store settings) *tokens {
	return &tokens{grants{key: "page.tokens", most: mostTokens, store: store}}
}

// tokenInfo is a token as the API shows it; the word itself is gone.
type tokenInfo struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Created time.Time `json:"created"`
}
