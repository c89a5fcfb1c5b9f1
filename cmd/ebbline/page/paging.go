package page

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
)

// Lists of the API come in pages: at most limit items, and a Link header with
// rel="next" (RFC 8288) while there is more. A cursor is opaque to scripts; it
// names the last item of the page before.
const (
	mostItems    = 1000 // of a list, also if no limit is given
	mostReadings = 10_000
)

// asked are limit and cursor of a request.
type asked struct {
	limit int
	after string // "": from the beginning
}

func askedPage(q url.Values, usual, most int) (asked, *Refused) {
	a := asked{limit: usual}
	if text := q.Get("limit"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > most {
			return a, &Refused{Field: "limit", Text: fmt.Sprintf("want a whole number from 1 to %d", most)}
		}
		a.limit = n
	}
	if text := q.Get("cursor"); text != "" {
		b, err := base64.RawURLEncoding.DecodeString(text)
		if err != nil || len(b) == 0 {
			return a, errCursor()
		}
		a.after = string(b)
	}
	return a, nil
}

func errCursor() *Refused {
	return &Refused{Field: "cursor", Text: "this cursor leads nowhere, or no longer: begin without it"}
}

func cursorOf(after string) string { return base64.RawURLEncoding.EncodeToString([]byte(after)) }

// linkNext says where the list goes on.
func linkNext(w http.ResponseWriter, r *http.Request, after string) {
	q := r.URL.Query()
	q.Set("cursor", cursorOf(after))
	u := url.URL{Path: r.URL.Path, RawPath: r.URL.RawPath, RawQuery: q.Encode()}
	w.Header().Set("Link", "<"+u.RequestURI()+`>; rel="next"`)
}

// paged cuts a list to the page that is asked for and links to the next one.
func paged[T any](w http.ResponseWriter, r *http.Request, all []T, key func(T) string) ([]T, *Refused) {
	a, refused := askedPage(r.URL.Query(), mostItems, mostItems)
	if refused != nil {
		return nil, refused
	}
	if a.after != "" {
		at := -1
		for i, one := range all {
			if key(one) == a.after {
				at = i
			}
		}
		if at < 0 {
			return nil, errCursor()
		}
		all = all[at+1:]
	}
	if len(all) > a.limit {
		all = all[:a.limit]
		linkNext(w, r, key(all[a.limit-1]))
	}
	return all, nil
}

// answerList answers with the page of a list that is asked for.
func answerList[T any](s *Server, w http.ResponseWriter, r *http.Request, name string, all []T, key func(T) string) {
	page, refused := paged(w, r, all, key)
	if refused != nil {
		s.fail(w, r, refused)
		return
	}
	if page == nil {
		page = []T{}
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{name: page})
}
