package page

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	"ebbline/projection/gravity"
)

// whatIfPage is the two sliders and what comes of them.
type whatIfPage struct {
	*status
	Hours    slider // until the crash
	Celsius  slider
	Hold     bool
	Chosen   string // in words
	HeldAt   string // in the brewer's scale
	Answer   *supposed
	Refused  string
	Expected string // the temperature now
}

// slider is what an input of type range needs.
type slider struct{ Min, Max, Step, Value float64 }

// supposed is an answer in words.
type supposed struct {
	*supposition
	Good   bool // within the accepted risk
	Word   string
	Cases  string
	Unused string
	Passes string
	// Until is the crash by, if nothing is held and the answer bears it out: it is
	// made steady and cautious, and may differ from the belief of this moment.
	Until *time.Time
	Bar   bar
}

// bar is where a strength lies to its ceiling, in the units of a viewBox.
type bar struct {
	W, H                   int
	Low, Mid, High, Limit  float64
	LowText, HighText, End string
}

func (s *Server) getWhatIf(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	p := s.sliders(st, r)
	p.HeldAt = s.unitsOf(r).temperature(p.Celsius.Value)
	c := Choice{Crash: s.opts.Now().Add(time.Duration(p.Hours.Value * float64(time.Hour)))}
	p.Chosen = ahead(c.Crash, s.opts.Now()) + ", " + clock(c.Crash, s.opts.Now(), s.loc)
	if p.Hold {
		c.Hold = &p.Celsius.Value
	}
	a, err := s.suppose(r.Context(), st, c)
	var refused *Refused
	switch {
	case errors.As(err, &refused):
		p.Refused = refused.Text
	case err != nil:
		s.failToSuppose(w, r, err)
		return
	default:
		p.Answer = s.supposedIn(st, a)
	}
	s.show(w, r, http.StatusOK, "whatif", frame{Title: "What if · " + st.Batch.Name, Here: "batches", Script: "whatif.js", Body: p})
}

// sliders reads where the sliders stand; what is not given, or makes no sense,
// is where the brewer would begin: the crash by, and the temperature now.
func (s *Server) sliders(st *status, r *http.Request) whatIfPage {
	p := whatIfPage{status: st, Hours: slider{0, 48, 0.5, 0}, Celsius: slider{heldFrom, 30, 0.5, 18}}
	if o := st.Outlook; o != nil {
		left := func(t *time.Time) float64 {
			if t == nil {
				return 0
			}
			return t.Sub(s.opts.Now()).Hours()
		}
		p.Hours.Value = math.Max(0, math.Floor(left(o.CrashBy)*2)/2)
		p.Hours.Max = math.Min(longestWait.Hours(), math.Max(24, math.Ceil(math.Max(left(o.CrashBy), left(o.Crosses.P50))/12)*12+12))
	}
	if e := st.Estimate; e != nil && e.Temperature != nil {
		p.Celsius.Value = math.Round(*e.Temperature*2) / 2
		p.Expected = s.unitsOf(r).temperature(*e.Temperature)
	}
	q := r.URL.Query()
	p.Hours.take(q.Get("in"))
	p.Celsius.take(q.Get("at"))
	p.Hold = q.Get("hold") != ""
	return p
}

func (s *slider) take(text string) {
	if v, err := number(text); err == nil && v >= s.Min && v <= s.Max {
		s.Value = v
	}
	s.Value = math.Min(math.Max(s.Value, s.Min), s.Max)
}

// supposedIn puts an answer into words and a bar.
func (s *Server) supposedIn(st *status, a *supposition) *supposed {
	now := s.opts.Now()
	out := &supposed{supposition: a, Good: a.Over <= a.Accepted, Cases: holdsIn(1 - a.Over), Bar: barOf(st.About.Ceiling, a.ABV)}
	out.Word = "More risk than you accepted (" + oneOf(a.Accepted) + ")"
	if out.Good {
		out.Word = "Within the risk you accepted (" + oneOf(a.Accepted) + ")"
	}
	if by := a.CrashBy; by != nil && a.Hold == nil && out.Good == !a.CrashAt.After(*by) {
		out.Until = by
	}
	switch u := a.Unused; {
	case u.P50 < 0:
		out.Unused = fmt.Sprintf("%s %% ABV over the ceiling", abv(-u.P50))
	default:
		out.Unused = fmt.Sprintf("%s %% ABV unused", abv(u.P50))
	}
	x := a.Crosses
	switch {
	case x.Probability < 0.005:
		out.Passes = "Left alone, it stays below its ceiling."
	case x.P50 == nil:
		out.Passes = fmt.Sprintf("Left alone, it passes its ceiling in %s.", cases(x.Probability))
	default:
		out.Passes = fmt.Sprintf("Left alone, it passes its ceiling about %s", clock(*x.P50, now, s.loc))
		if x.P10 != nil && x.P90 != nil {
			out.Passes += fmt.Sprintf(" (8 of 10 cases: %s to %s)", clock(*x.P10, now, s.loc), clock(*x.P90, now, s.loc))
		}
		out.Passes += "."
	}
	return out
}

// holdsIn says how often something wanted holds, never more often than it does.
func holdsIn(p float64) string {
	const near = 1e-9 // 1 − 0.05 is not quite 19 of 20 in binary
	switch {
	case p > 0.995:
		return "more than 99 of 100 cases"
	case p > 0.95+near:
		return fmt.Sprintf("%.0f of 100 cases", math.Floor(p*100+near))
	case p < 0.05-near:
		return "fewer than 1 of 20 cases"
	}
	return fmt.Sprintf("%.0f of 20 cases", math.Floor(p*20+near))
}

// cases says a probability as a frequency, to the nearest.
func cases(p float64) string {
	switch {
	case p < 0.025:
		return "fewer than 1 of 20 cases"
	case p > 0.975:
		return "more than 19 of 20 cases"
	}
	return fmt.Sprintf("%.0f of 20 cases", p*20)
}

func oneOf(risk float64) string {
	if n := 1 / risk; risk > 0 && math.Abs(n-math.Round(n)) < 1e-6 {
		return fmt.Sprintf("1 in %.0f", n)
	}
	return fmt.Sprintf("%g in 100", math.Round(risk*1000)/10)
}

// barOf draws a strength against its ceiling, from 0 to a little beyond both.
func barOf(c gravity.Ceiling, q quantiles) bar {
	b := bar{W: 340, H: 64}
	top := math.Max(float64(c.Limit), q.P90) * 1.25
	x := func(v float64) float64 { return math.Round((8+math.Max(0, v)/top*324)*10) / 10 }
	b.Low, b.Mid, b.High, b.Limit = x(q.P10), x(q.P50), x(q.P90), x(float64(c.Limit))
	b.LowText, b.HighText, b.End = abv(q.P10), abv(q.P90), ceilingText(c)
	return b
}
