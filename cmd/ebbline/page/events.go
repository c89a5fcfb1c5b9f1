package page

import (
	"fmt"
	"net/http"
	"time"
)

// A stream says only "changed"; the page then asks for what it shows.
const (
	heartbeat = 15 * time.Second
	// calm is the least time between two words on one stream.
	calm = time.Second
)

// events is the stream of server-sent events.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many pages are open at once. Close some.", http.StatusServiceUnavailable)
		return
	}
	changes, stop := s.opts.Journal.Changes()
	defer stop()
	out := http.NewResponseController(w)
	if err := out.SetWriteDeadline(time.Time{}); err != nil {
		s.log.Warn("event stream keeps its write deadline", "error", err)
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // asks a proxy not to hold events back
	say := func(text string) bool {
		if _, err := fmt.Fprint(w, text); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	if !say("retry: 3000\n\nevent: hello\ndata: hello\n\n") {
		return
	}
	s.relay(r, changes, say)
}

// relay passes changes on until the browser, or the server, ends it.
func (s *Server) relay(r *http.Request, changes <-chan struct{}, say func(string) bool) {
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	rest := time.NewTimer(0)
	defer rest.Stop()
	<-rest.C
	listen := changes
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.done:
			say("event: bye\ndata: bye\n\n")
			return
		case <-beat.C:
			if !say(": still here\n\n") {
				return
			}
		case _, open := <-listen:
			if !open || !say("event: changed\ndata: changed\n\n") {
				return
			}
			listen = nil // further changes wait, joined into one
			rest.Reset(calm)
		case <-rest.C:
			listen = changes
		}
	}
}
