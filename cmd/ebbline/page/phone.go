package page

import (
	"net/http"
	"slices"
	"time"
)

// phonePage is how the brewer is reached, and when they sleep.
type phonePage struct {
	sheet
	Channels []channelView
	Quiet    *QuietState
	Done     string
}

type channelView struct {
	ChannelState
	// Test is what became of the test that was just sent: an error, or Sent.
	Test string
	Sent bool
}

func (s *Server) getPhone(w http.ResponseWriter, r *http.Request) {
	p := phonePage{Done: map[string]string{
		"quiet": "The quiet hours are kept.", "awake": "There are no quiet hours any more.",
	}[r.URL.Query().Get("done")]}
	s.showPhone(w, r, http.StatusOK, p, channelView{ChannelState: ChannelState{Name: r.URL.Query().Get("sent")}, Sent: true})
}

// showPhone shows the page; tested is the channel that a test was sent to.
func (s *Server) showPhone(w http.ResponseWriter, r *http.Request, code int, p phonePage, tested channelView) {
	if s.opts.Channels != nil {
		for _, c := range s.opts.Channels() {
			v := channelView{ChannelState: c}
			if tested.Name == c.Name {
				v.Test, v.Sent = tested.Test, tested.Sent
			}
			p.Channels = append(p.Channels, v)
		}
	}
	if s.opts.Quiet != nil {
		q := s.opts.Quiet()
		p.Quiet = &q
		if p.Values == nil {
			p.Values = map[string]string{}
			if q.Hours != nil {
				p.Values["from"], p.Values["to"] = q.Hours.From, q.Hours.To
			}
		}
	}
	f := frame{Title: "Phone", Here: "phone", Body: p}
	if r.Method == http.MethodGet {
		f.Script = "live.js" // what a POST has answered cannot be asked for again
	}
	s.show(w, r, code, "phone", f)
}

// postTest sends a test and says what became of it: accepted is not yet seen.
func (s *Server) postTest(w http.ResponseWriter, r *http.Request) {
	name := r.PostFormValue("channel")
	if s.opts.Channels == nil || !slices.ContainsFunc(s.opts.Channels(), func(c ChannelState) bool { return c.Name == name }) {
		s.missing(w, r, "There is no channel of this name. The page lists all there are.")
		return
	}
	if err := s.opts.Actions.TryChannel(r.Context(), name); err != nil {
		v := channelView{ChannelState: ChannelState{Name: name}, Test: err.Error()}
		s.showPhone(w, r, http.StatusBadGateway, phonePage{}, v)
		return
	}
	http.Redirect(w, r, "/phone?sent="+escape(name), http.StatusSeeOther)
}

// postQuiet sets the hours of sleep, or takes them away.
func (s *Server) postQuiet(w http.ResponseWriter, r *http.Request) {
	in, ok := s.readInput(w, r, time.Time{})
	if !ok {
		return
	}
	if s.opts.Quiet != nil && s.opts.Quiet().Fixed {
		s.trouble(w, r, http.StatusConflict, "Not changed", "The configuration sets the quiet hours. Change them there, or take “quiet” out of it.")
		return
	}
	q, done := &Quiet{From: in.dayTime("from"), To: in.dayTime("to")}, "quiet"
	switch {
	case in.text("do") == "none":
		clear(in.errors)
		q, done = nil, "awake"
	case in.good() && q.From == q.To:
		in.fault("to", "Both are the same. Give two different times of day.")
	}
	var err error
	if in.good() {
		err = s.opts.Actions.SetQuiet(r.Context(), q)
	}
	s.settle(w, r, in, err, "/phone?done="+done, func() {
		s.showPhone(w, r, http.StatusUnprocessableEntity, phonePage{sheet: in.sheet()}, channelView{})
	})
}

// dayTime reads a time of day, "22:30"; also "22.30" and "2230".
func (in *input) dayTime(name string) string {
	text := in.text(name)
	for _, layout := range []string{"15:04", "15:04:05", "15.04", "1504", "3:04 PM", "3:04PM"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.Format("15:04")
		}
	}
	in.fault(name, "Not a time of day. Write it like 22:30.")
	return ""
}
