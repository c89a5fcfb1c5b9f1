package page

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"ebbline/ingest/journal"
)

// problem is an error as RFC 9457 writes it.
type problemBody struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
	// Field names the input at fault.
	Field    string `json:"field,omitempty"`
	Instance string `json:"instance,omitempty"`
}

// problem answers with problem details.
func (s *Server) problem(w http.ResponseWriter, r *http.Request, status int, title, detail string) {
	s.problemAt(w, r, status, title, detail, "")
}

func (s *Server) problemAt(w http.ResponseWriter, r *http.Request, status int, title, detail, field string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	b, err := json.Marshal(problemBody{"about:blank", title, status, detail, field, logged(r)})
	if err != nil {
		http.Error(w, title, status)
		return
	}
	s.write(w, r, status, b)
}

// answerJSON answers with v.
func (s *Server) answerJSON(w http.ResponseWriter, r *http.Request, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	s.write(w, r, status, append(b, '\n'))
}

// isAPI tells a script's request from a browser's.
func isAPI(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/api/") || strings.HasPrefix(r.URL.Path, "/a/") && !wantsPage(r)
}

// fail answers for an error: what the asker did wrong is said, the rest is
// logged.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var refused *Refused
	var claimed journal.ErrSensorClaimed
	var tooLarge *http.MaxBytesError
	var unwritten *journal.ErrUnwritten
	status, title, text, field := http.StatusInternalServerError, "Something went wrong",
		"Nothing may have been changed. The daemon's log says what went wrong.", ""
	switch {
	case errors.As(err, &refused):
		status, title, text, field = http.StatusUnprocessableEntity, "Not accepted", refused.Text, refused.Field
	case errors.As(err, &claimed):
		status, title, text = http.StatusConflict, "The sensor is taken", claimed.Error()
	case errors.As(err, &tooLarge):
		status, title, text = http.StatusRequestEntityTooLarge, "Too much", "The request carries more than is read here."
	case errors.As(err, &unwritten): // before the damage that may be its cause
		status, title, text = http.StatusServiceUnavailable, notWritten, unwrittenWords(unwritten)
		s.log.Error("request failed", "path", logged(r), "error", err)
	case errors.Is(err, journal.ErrNotFound):
		status, title, text = http.StatusNotFound, "Not there", "There is nothing of this name."
	case errors.Is(err, journal.ErrChanged):
		title, text = "The record is damaged", "What this page is made of was changed on the disk, so it is not shown: "+err.Error()+"."
		s.log.Error("request failed", "path", logged(r), "error", err)
	case r.Context().Err() != nil:
		return // nobody waits for an answer
	case errors.Is(err, journal.ErrClosed):
		status, title, text = http.StatusServiceUnavailable, "Stopping", "ebbline is stopping. Try again in a moment."
	default:
		s.log.Error("request failed", "path", logged(r), "error", err)
	}
	if isAPI(r) {
		s.problemAt(w, r, status, title, text, field)
		return
	}
	s.trouble(w, r, status, title, text)
}

const notWritten = "The record cannot be written"

// unwrittenWords say why nothing is kept now, what became of what was sent, and
// what to do.
func unwrittenWords(e *journal.ErrUnwritten) string {
	became := "Nothing of what you just sent was stored: once that is mended, send it again."
	if e.Unsure {
		became = "What you just sent may not have been stored: once that is mended, look, and send it again if it is not there."
	}
	return notWritten + ": " + e.Why() + ". " + became + " Until then no reading is taken and no alert can come: look at the beer yourself."
}

// missing answers that there is nothing here.
func (s *Server) missing(w http.ResponseWriter, r *http.Request, text string) {
	if isAPI(r) {
		s.problem(w, r, http.StatusNotFound, "Not there", text)
		return
	}
	s.trouble(w, r, http.StatusNotFound, "Not there", text)
}

// accepts reports whether the asker named this type of answer.
func accepts(r *http.Request, mime string) bool {
	for part := range strings.SplitSeq(strings.Join(r.Header.Values("Accept"), ","), ",") {
		name, _, _ := strings.Cut(part, ";")
		if strings.EqualFold(strings.TrimSpace(name), mime) {
			return true
		}
	}
	return false
}

// logged is a request's path as the log may hold it: without the token of an
// answer link, which would open the alert to whoever reads the log.
func logged(r *http.Request) string {
	if strings.HasPrefix(r.URL.Path, "/a/") {
		return "/a/…"
	}
	return r.URL.Path
}

// escapePath makes one element of a path.
func escapePath(s string) string { return url.PathEscape(s) }
