package page

import (
	"fmt"
	"strings"

	"ebbline/projection"
)

// planView is what `ebbline plan` says, beside the form for a new batch.
type planView struct {
	Rows     []planRow
	Warnings []string
	// Wait is what is missing for a plan, in a sentence; empty: nothing.
	Wait string
}

type planRow struct{ Name, Value, Note string }

// planned works out the plan for what has been typed so far, below what of it can
// hardly be meant.
func (s *Server) planned(in *input, p typedBatch) *planView {
	if s.opts.Plan == nil {
		return nil
	}
	view := s.workedOut(in, p)
	var doubts []string
	for _, d := range s.doubts(p) {
		doubts = append(doubts, d.Text)
	}
	view.Warnings = append(doubts, view.Warnings...)
	return view
}

// doubts are what can hardly be meant of what was typed.
func (s *Server) doubts(p typedBatch) []Doubt {
	if s.opts.Doubts == nil {
		return nil
	}
	return s.opts.Doubts(projection.Batch{
		OriginalGravity: p.plan.OriginalGravity, Ceiling: p.plan.Ceiling, Volume: p.plan.Volume, ResponseTime: p.response,
		Crash: projection.Crash{To: p.plan.CrashTo, TimeConstant: p.plan.TimeConstant},
	})
}

// ask has whoever starts a batch that can hardly be meant say that it is so.
func (s *Server) ask(in *input, p typedBatch) {
	var odd []string
	for _, d := range s.doubts(p) {
		if d.Never {
			in.fault(d.Field, "%s", d.Text)
			continue
		}
		odd = append(odd, d.Text)
	}
	if sure := strings.Join(odd, " "); len(odd) > 0 && in.text("sure") != sure {
		in.odd = odd
		in.form.Set("sure", sure) // what the tick says yes to
		in.fault("sure", "Nothing was started yet: correct it, or tick this.")
	}
}

func (s *Server) workedOut(in *input, p typedBatch) *planView {
	if !p.og || !p.ceiling {
		return &planView{Wait: "With an original gravity and a ceiling, this says where to stop and how far ahead to start the crash."}
	}
	if !p.v {
		p.plan.Volume = 19 // of no weight for what is shown
	}
	plan, err := s.opts.Plan(p.plan)
	if err != nil {
		return &planView{Wait: firstUpper(err.Error()) + "."}
	}
	return plan.view(in.units)
}

func (p Plan) view(u Units) *planView {
	v := &planView{Warnings: p.Warnings}
	row := func(name, value, note string) { v.Rows = append(v.Rows, planRow{name, value, note}) }
	row("At the ceiling", u.gravity(float64(p.Target)), "by the chosen rule")
	if p.StopAt == nil {
		return v
	}
	row("Come to rest at", u.gravity(float64(*p.StopAt)), fmt.Sprintf("%s points of it for measuring errors", tenth(p.MarginPoints)))
	if p.CrashAt != nil {
		row("Start the crash at", u.gravity(float64(*p.CrashAt)), "it falls on while it cools")
	}
	row("That far ahead", fmt.Sprintf("%.0f–%.0f h", p.Lead[0], p.Lead[1]), "in 8 of 10 cases")
	row("After pitching", fmt.Sprintf("%.1f–%.1f days", p.Days[0], p.Days[1]), "in 8 of 10 cases; a guess until readings come")
	return v
}

func firstUpper(s string) string {
	if s == "" {
		return s
	}
	return string(upper(rune(s[0]))) + s[1:]
}

func upper(r rune) rune {
	if r >= 'a' && r <= 'z' {
		return r - 'a' + 'A'
	}
	return r
}
