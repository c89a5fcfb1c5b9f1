package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"ebbline/ingest/journal"
)

// comparePage lays two batches over each other, pitch upon pitch.
type comparePage struct {
	Choices []compareChoice
	A, B    string // their names, when both are there
	Rows    []compareRow
	Wide    *chart
	Narrow  *chart
	Why     string // why there is nothing to see yet
}

type compareChoice struct {
	Name, Label string
	Options     []choice
}

// compareRow is one figure of both.
type compareRow struct{ Name, A, B string }

func (s *Server) getCompare(w http.ResponseWriter, r *http.Request) {
	ctx, q := r.Context(), r.URL.Query()
	all, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := comparePage{Why: "Choose two batches."}
	var found [2]*journal.Batch
	for i, one := range []struct{ name, label string }{{"a", "First batch"}, {"b", "Second batch"}} {
		c := compareChoice{Name: one.name, Label: one.label, Options: []choice{{"", "choose", q.Get(one.name) == ""}}}
		for k, b := range all {
			on := b.ID == q.Get(one.name)
			if on {
				found[i] = &all[k]
			}
			c.Options = append(c.Options, choice{b.ID, b.Name + ", pitched " + b.Started.In(s.loc).Format("2 Jan 2006"), on})
		}
		p.Choices = append(p.Choices, c)
		if q.Get(one.name) != "" && found[i] == nil {
			s.missing(w, r, "There is no batch of this name. The overview lists all there are.")
			return
		}
	}
	switch {
	case len(all) < 2:
		p.Why = "There are not two batches yet."
	case found[0] != nil && found[1] != nil && found[0].ID == found[1].ID:
		p.Why = "Both are the same batch. Choose two."
	case found[0] != nil && found[1] != nil:
		p.Why = ""
		if err := s.compare(ctx, &p, s.unitsOf(r), *found[0], *found[1]); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	s.show(w, r, http.StatusOK, "compare", frame{Title: "Compare two batches", Here: "batches", Body: p})
}

func (s *Server) compare(ctx context.Context, p *comparePage, u Units, a, b journal.Batch) error {
	var both [2]*history
	for i, one := range []journal.Batch{a, b} {
		st, err := s.status(ctx, one)
		if err != nil {
			return err
		}
		if both[i], err = s.history(ctx, st, u, 300); err != nil {
			return err
		}
	}
	p.A, p.B = a.Name, b.Name
	if a.Name == b.Name { // told apart by their days
		p.A, p.B = a.Name+", "+a.Started.In(s.loc).Format("2 Jan 2006"), b.Name+", "+b.Started.In(s.loc).Format("2 Jan 2006")
	}
	p.Rows = compareRows(both)
	p.Wide, p.Narrow = compareChart(both, 720, 250, 170, 110), compareChart(both, 350, 230, 170, 110)
	p.Wide.Label = fmt.Sprintf("Gravity, alcohol and temperature of %s and %s over the days from pitch. The table below holds the figures.", p.A, p.B)
	p.Narrow.Label = p.Wide.Label
	return nil
}

// compareChart draws both over the days from their pitch.
func compareChart(both [2]*history, width int, highs ...float64) *chart {
	days := 1.0
	for _, h := range both {
		days = math.Max(days, h.win.to.Sub(h.st.About.PitchedAt).Hours()/24)
	}
	c := newChart(width, 0, days)
	dense, strong, warm := newExtent(), newExtent(), newExtent()
	for _, h := range both {
		h.gravities(&dense)
		h.temperatures(&warm)
		strong.see(0)
		strong.see(float64(h.st.About.Ceiling.Limit))
		for _, e := range h.believed {
			strong.see(e.ABV + e.ABVSD)
		}
	}
	lo, hi := dense.roomy(0.002, 1, 1.02)
	u, asIs := both[0].u, func(v float64) float64 { return v }
	g := c.add("gravity, "+u.GravityUnit(), highs[0], lo, hi, u.gravityDigits(), u.gravityIn)
	_, hi = strong.roomy(0.2, 0, 1)
	a := c.add("alcohol, % ABV", highs[1], 0, hi, 1, asIs)
	lo, hi = warm.roomy(4, 0, 25)
	t := c.add("temperature, "+u.TemperatureUnit(), highs[2], lo, hi, 0, u.temperatureIn)
	for i, h := range both {
		class := []string{"first", "other"}[i]
		at := func(sec float64) float64 { return (sec - unix(h.st.About.PitchedAt)) / 86400 }
		g.line(class, h.rising(func(e estimate) (float64, float64) { return e.Gravity, e.GravitySD }, at))
		a.line(class, h.rising(func(e estimate) (float64, float64) { return e.ABV, e.ABVSD }, at))
		for _, one := range h.temperature {
			t.line(class, warmth(one.Bins, at))
		}
		for _, m := range h.samples {
			if m.gravity != nil && !m.Struck {
				g.diamond(class, at(unix(m.time)), *m.gravity)
			}
		}
		same := both[0].st.About.Ceiling == both[1].st.About.Ceiling
		if limit := float64(h.st.About.Ceiling.Limit); limit > 0 && (i == 0 || !same) {
			kind := class
			if same {
				kind = "target"
			}
			a.level(kind, limit, "ceiling "+ceilingText(h.st.About.Ceiling), i == 1)
		}
		if crashed := h.st.Crashed; crashed != nil {
			for k, p := range []*panel{g, a, t} {
				p.rule(class, at(unix(*crashed)), []string{[]string{"crash, first", "crash, second"}[i], "", ""}[k])
			}
		}
	}
	c.days(days)
	return c
}

// days names whole days from pitch.
func (c *chart) days(n float64) {
	step := niceStep(n / ((float64(c.W) - chartLeft - chartRight) / 62))
	for d := 0.0; d <= n+1e-9; d += math.Max(step, 0.5) {
		text := "day " + trim(d)
		if d == 0 {
			text = "pitch"
		}
		c.Ticks = append(c.Ticks, tick{c.Panels[0].x(d), text})
	}
}

// compareRows are the figures that tell two batches apart.
func compareRows(both [2]*history) []compareRow {
	var out []compareRow
	row := func(name string, of func(h *history) string) {
		r := compareRow{name, of(both[0]), of(both[1])}
		if r.A != "" || r.B != "" {
			for _, v := range []*string{&r.A, &r.B} {
				if *v == "" {
					*v = "–"
				}
			}
			out = append(out, r)
		}
	}
	row("State", func(h *history) string {
		if h.st.Batch.Ended == nil {
			return "running"
		}
		return packagedAs(h)
	})
	row("Original gravity", func(h *history) string {
		og := h.st.About.OriginalGravity
		return plain(worthy(og), h.u.gravity(float64(og)))
	})
	row("Ceiling", func(h *history) string { return ceilingText(h.st.About.Ceiling) })
	row("Rule", func(h *history) string { return string(ruleOf(h.st.About)) })
	row("Yeast", func(h *history) string { return string(h.st.About.Yeast) })
	row("Crash started", func(h *history) string { return h.afterPitch(h.st.Crashed) })
	row("Packaged", func(h *history) string { return h.afterPitch(h.st.Batch.Ended) })
	row("Last gravity", func(h *history) string {
		e := h.final()
		if e == nil {
			return ""
		}
		return h.u.gravityWith(e.Gravity, e.GravitySD)
	})
	row("Last alcohol", func(h *history) string {
		e := h.final()
		if e == nil {
			return ""
		}
		return abv(e.ABV) + " ± " + abv(e.ABVSD) + " % ABV"
	})
	row("Apparent attenuation", func(h *history) string {
		e := h.final()
		if e == nil {
			return ""
		}
		share, sd, ok := attenuation(h.st.About, e)
		return plain(ok, tenth(share)+" ± "+tenth(sd)+" %")
	})
	row("Mean temperature before the crash", (*history).meanWarmth)
	row("Last pH", func(h *history) string {
		if h.st.PH == nil {
			return ""
		}
		return abv(h.st.PH.Value)
	})
	row("Samples", func(h *history) string { return strconv.Itoa(len(h.samples)) })
	return out
}

// plain is a text if it holds.
func plain(ok bool, text string) string {
	if !ok {
		return ""
	}
	return text
}

// afterPitch says how long after pitch something was.
func (h *history) afterPitch(t *time.Time) string {
	if t == nil {
		return ""
	}
	return lasted(t.Sub(h.st.About.PitchedAt)) + " after pitch"
}

// meanWarmth is the mean of the binned temperatures up to the crash.
func (h *history) meanWarmth() string {
	sum, n := 0.0, 0
	for _, one := range h.temperature {
		for _, b := range one.Bins {
			if b[2] != nil && (h.st.Crashed == nil || *b[0] < unix(*h.st.Crashed)) {
				sum, n = sum+*b[2], n+1
			}
		}
	}
	return plain(n > 0, h.u.temperature(sum/float64(max(n, 1))))
}
