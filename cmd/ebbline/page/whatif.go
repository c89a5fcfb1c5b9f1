package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"ebbline/projection"
)

// Supposer answers what would come of another choice, by the live belief of a
// running batch, in a few milliseconds. Actions that are none leave the page
// without it.
type Supposer interface {
	Suppose(ctx context.Context, batch string, c Choice) (projection.Supposed, error)
}

// Choice is a moment for the crash and a temperature until then.
type Choice struct {
	Crash time.Time
	Hold  *float64 // °C; nil: as is to be expected
}

const (
	// longestWait bounds how far off a crash can be supposed.
	longestWait = 7 * 24 * time.Hour
	// heldFrom and heldTo bound the temperatures a beer can be held at, °C.
	heldFrom, heldTo = 0.0, 35.0
	// askedFor is how long an answer may take.
	askedFor = 5 * time.Second
	// perSecond and atOnce bound the questions of all browsers and scripts.
	perSecond, atOnce = 10, 20
)

// supposition is what comes of a choice, as the API tells it.
type supposition struct {
	CrashAt   time.Time  `json:"crash_at"`
	Hold      *float64   `json:"hold"`    // °C
	ABV       quantiles  `json:"abv"`     // five days after the crash
	Unused    quantiles  `json:"unused"`  // of the ceiling, % ABV; negative: over it
	Over      float64    `json:"over"`    // P(ABV above the ceiling)
	Accepted  float64    `json:"risk"`    // what was accepted
	Crosses   crossing   `json:"crosses"` // if it is not crashed at all
	ABVIfLeft quantiles  `json:"abv_if_left"`
	CrashBy   *time.Time `json:"crash_by"`
}

// suppose asks what comes of a choice. Refused: the batch has nothing left to
// choose, or too much is asked at once.
func (s *Server) suppose(ctx context.Context, st *status, c Choice) (*supposition, error) {
	who, able := s.opts.Actions.(Supposer)
	switch {
	case !able:
		return nil, &Refused{Text: "This ebbline answers no “what if”."}
	case st.Batch.Ended != nil:
		return nil, &Refused{Text: "This batch is packaged: there is nothing left to choose."}
	case st.Crashed != nil:
		return nil, &Refused{Text: "The crash has started: its outcome is on the batch’s page."}
	case !s.questions.AllowN(s.opts.Wall(), 1):
		return nil, errTooMany
	}
	ctx, cancel := context.WithTimeout(ctx, askedFor)
	defer cancel()
	a, err := who.Suppose(ctx, st.Batch.ID, c)
	if err != nil {
		return nil, err
	}
	limit := float64(st.About.Ceiling.Limit)
	out := &supposition{
		CrashAt: a.Start, Hold: c.Hold, ABV: quantilesOf(a.ABV), Over: a.Over, Accepted: st.About.Risk, ABVIfLeft: quantilesOf(a.IfLeft),
		Crosses: crossing{a.Crosses.Probability, a.Crosses.P10, a.Crosses.P50, a.Crosses.P90},
	}
	out.Unused = quantiles{limit - out.ABV.P90, limit - out.ABV.P50, limit - out.ABV.P10}
	if st.Outlook != nil {
		out.CrashBy = st.Outlook.CrashBy
	}
	return out, nil
}

var errTooMany = errors.New("too many questions at once")

func quantilesOf(q projection.Quantiles) quantiles {
	return quantiles{float64(q.P10), float64(q.P50), float64(q.P90)}
}

// apiWhatIf answers ?crash_at= (RFC 3339 or Unix seconds; now if absent) and
// ?hold= (°C).
func (s *Server) apiWhatIf(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	c, refused := s.askedChoice(r)
	if refused != nil {
		s.fail(w, r, refused)
		return
	}
	a, err := s.suppose(r.Context(), st, c)
	if err != nil {
		s.failToSuppose(w, r, err)
		return
	}
	s.answerJSON(w, r, http.StatusOK, a)
}

func (s *Server) failToSuppose(w http.ResponseWriter, r *http.Request, err error) {
	if !errors.Is(err, errTooMany) {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Retry-After", "1")
	const title, text = "Too many questions", "More is asked at once than can be worked out. Try again in a second."
	if isAPI(r) {
		s.problem(w, r, http.StatusTooManyRequests, title, text)
		return
	}
	s.trouble(w, r, http.StatusTooManyRequests, title, text)
}

func (s *Server) askedChoice(r *http.Request) (Choice, *Refused) {
	now := s.opts.Now()
	c := Choice{Crash: now}
	if text := r.URL.Query().Get("crash_at"); text != "" {
		var err error
		if c.Crash, err = time.Parse(time.RFC3339, text); err != nil {
			sec, err := strconv.ParseInt(text, 10, 64)
			if err != nil || sec < 0 || sec > 1<<36 {
				return c, &Refused{Field: "crash_at", Text: fmt.Sprintf("%q is neither RFC 3339 nor Unix seconds", text)}
			}
			c.Crash = time.Unix(sec, 0)
		}
	}
	if c.Crash.Before(now.Add(-time.Hour)) || c.Crash.After(now.Add(longestWait)) {
		return c, &Refused{Field: "crash_at", Text: fmt.Sprintf("want a moment from now to %s ahead", span(longestWait))}
	}
	if text := r.URL.Query().Get("hold"); text != "" {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !(v >= heldFrom && v <= heldTo) {
			return c, &Refused{Field: "hold", Text: fmt.Sprintf("want °C from %g to %g", heldFrom, heldTo)}
		}
		c.Hold = &v
	}
	return c, nil
}
