package page

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// picture is a small graph drawn by the server: it works without scripts, on
// the overview and wherever a browser runs none. Coordinates are those of an
// SVG with the viewBox "0 0 W H".
type picture struct {
	W, H     int
	Line     string  // estimate, as path data
	Band     string  // one standard deviation around it
	Fan      string  // p10 to p90 of the projection
	Middle   string  // p50 of the projection
	Dots     []dot   // readings
	TargetY  float64 // of the target's line
	Target   string  // its label
	NowX     float64
	CrashX   *float64
	Stale    bool
	From, To time.Time
	Label    string // says the picture in words
}

// dot is one mark of a picture.
type dot struct{ X, Y float64 }

// scale maps a graph onto w by h.
type scale struct {
	x0, x1, y0, y1 float64 // data
	w, h           float64
}

func (c scale) x(t float64) float64 { return math.Round((t-c.x0)/(c.x1-c.x0)*c.w*10) / 10 }
func (c scale) y(v float64) float64 { return math.Round((c.y1-v)/(c.y1-c.y0)*c.h*10) / 10 }

// draw makes a picture of a graph, labelled in the brewer's scales.
func draw(st *status, g *graph, u Units, w, h int, win window) *picture {
	c := scale{x0: g.From, x1: g.To, w: float64(w), h: float64(h)}
	c.y0, c.y1 = g.Low, g.High
	p := &picture{W: w, H: h, NowX: c.x(g.Now), Stale: g.Stale, From: win.from, To: win.to}
	for _, sensor := range g.Gravity {
		for _, b := range sensor.Bins {
			if b[2] != nil {
				p.Dots = append(p.Dots, dot{c.x(*b[0]), c.y(*b[2])})
			}
		}
	}
	p.Line, p.Band = linePath(g.Estimate, c)
	p.Fan, p.Middle = fanPath(g.Fan, c)
	if g.Target != nil {
		p.TargetY, p.Target = c.y(*g.Target), fmt.Sprintf("%s at %s", g.Ceiling, u.gravity(*g.Target))
	}
	if g.CrashBy != nil && *g.CrashBy >= g.From && *g.CrashBy <= g.To && st.Crashed == nil {
		x := c.x(*g.CrashBy)
		p.CrashX = &x
	}
	p.Label = pictureWords(st, g, u)
	return p
}

// gravityRange is what a picture must show: the target always, the original
// gravity, the estimate, the fan, samples, and the readings, unless these are
// so far off that the rest would be flattened.
func gravityRange(g *graph) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	see := func(v float64) {
		if v > 0.9 {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	see(g.Original)
	if g.Target != nil {
		see(*g.Target)
	}
	for _, e := range g.Estimate {
		if e[1] != nil {
			see(*e[1] - *e[2])
			see(*e[1] + *e[2])
		}
	}
	for _, f := range g.Fan {
		see(f[1])
		see(f[3])
	}
	for _, m := range g.Marks {
		if m.Value != nil {
			see(*m.Value)
		}
	}
	for _, s := range g.Gravity {
		low, high := usual(s.Bins)
		if math.IsInf(lo, 0) || math.Max(hi, high)-math.Min(lo, low) < mostStretch*(hi-lo) {
			see(low)
			see(high)
		}
	}
	if math.IsInf(lo, 0) {
		lo, hi = 1, 1.02
	}
	pad := math.Max((hi-lo)*0.08, 0.0006)
	return lo - 1.6*pad, hi + pad // the target's label stands below its line
}

// mostStretch is how much wider a float's readings may make the picture.
const mostStretch = 2.2

// usual is where nearly all readings lie: outliers must not flatten the rest.
func usual(bins []bin) (lo, hi float64) {
	var all []float64
	for _, b := range bins {
		if b[2] != nil {
			all = append(all, *b[2])
		}
	}
	if len(all) == 0 {
		return 0, 0
	}
	slices.Sort(all)
	cut := len(all) / 50
	return all[cut], all[len(all)-1-cut]
}

func linePath(rows []band, c scale) (line, area string) {
	var l, a strings.Builder
	var run []band
	flush := func() {
		if len(run) == 0 {
			return
		}
		for i, e := range run {
			fmt.Fprintf(&l, "%c%g %g", "ML"[min(i, 1)], c.x(*e[0]), c.y(*e[1]))
			fmt.Fprintf(&a, "%c%g %g", "ML"[min(i, 1)], c.x(*e[0]), c.y(*e[1]+*e[2]))
		}
		for i := len(run) - 1; i >= 0; i-- {
			fmt.Fprintf(&a, "L%g %g", c.x(*run[i][0]), c.y(*run[i][1]-*run[i][2]))
		}
		a.WriteByte('Z')
		run = run[:0]
	}
	for _, e := range rows {
		if e[1] == nil {
			flush()
			continue
		}
		run = append(run, e)
	}
	flush()
	return l.String(), a.String()
}

func fanPath(rows []fan, c scale) (area, middle string) {
	if len(rows) == 0 {
		return "", ""
	}
	var a, m strings.Builder
	for i, f := range rows {
		fmt.Fprintf(&a, "%c%g %g", "ML"[min(i, 1)], c.x(f[0]), c.y(f[3]))
		fmt.Fprintf(&m, "%c%g %g", "ML"[min(i, 1)], c.x(f[0]), c.y(f[2]))
	}
	for i := len(rows) - 1; i >= 0; i-- {
		fmt.Fprintf(&a, "L%g %g", c.x(rows[i][0]), c.y(rows[i][1]))
	}
	a.WriteByte('Z')
	return a.String(), m.String()
}

// pictureWords says what the picture shows to those who do not see it.
func pictureWords(st *status, g *graph, u Units) string {
	var b strings.Builder
	b.WriteString("Gravity over time.")
	if e := st.Estimate; e != nil {
		value, spread, unit := u.gravityFigure(e.Gravity, e.GravitySD)
		fmt.Fprintf(&b, " Now %s %s, give or take %s.", value, unit, spread)
	}
	if g.Target != nil {
		fmt.Fprintf(&b, " The ceiling of %s is reached at %s.", g.Ceiling, u.gravity(*g.Target))
	}
	if g.Stale {
		b.WriteString(" The readings are old; the projection is not to be trusted.")
	}
	return b.String()
}

// crossings is the row of twenty dots: twenty equally likely moments at which
// the ceiling is reached.
type crossings struct {
	W, H    int
	Dots    []crossingDot
	R       float64
	Ticks   []tick
	CrashX  *float64
	Reached int // of twenty
	Words   string
}

// crossingDot is one moment; Later: it lies beyond the row's end.
type crossingDot struct {
	dot
	Later bool
}

// Base is where the axis stands.
func (c *crossings) Base() int { return c.H - 20 }

// TickY is where its ticks end.
func (c *crossings) TickY() int { return c.H - 16 }

// TextY is the foot of the ticks' texts.
func (c *crossings) TextY() int { return c.H - 4 }

type tick struct {
	X    float64
	Text string
}

// allDots is how many crossing times a projection names.
const allDots = 20

// nearEnough is how close the middle crossing must be for the dots to help.
const nearEnough = 48 * time.Hour

// dotRow stacks the crossing times on a line of time; nil if they are far off
// or none is known.
func (s *Server) dotRow(st *status) *crossings {
	o, now := st.Outlook, s.opts.Now()
	if o == nil || len(o.Dots) == 0 || st.Crashed != nil || st.Batch.Ended != nil || o.Dots[0].Sub(now) > nearEnough {
		return nil
	}
	c := &crossings{W: 340, H: 74, R: 6, Reached: len(o.Dots)}
	from, to := now, now.Add(6*time.Hour)
	if o.Dots[0].Before(from) {
		from = o.Dots[0]
	}
	if last := o.Dots[len(o.Dots)-1]; last.After(to) {
		to = last
	}
	if far := now.Add(nearEnough + 12*time.Hour); to.After(far) {
		to = far
	}
	if st.Outlook.CrashBy != nil && o.CrashBy.Before(from) && now.Sub(*o.CrashBy) < 6*time.Hour {
		from = *o.CrashBy
	}
	width := to.Sub(from)
	x := func(t time.Time) float64 {
		return 12 + math.Round(float64(t.Sub(from))/float64(width)*float64(c.W-24)*10)/10
	}
	columns, beyond := map[int]int{}, 0
	for _, t := range o.Dots {
		later := t.After(to)
		if later {
			t = to
			beyond++
		}
		col := int((x(t) - 12) / (2*c.R + 1))
		c.Dots = append(c.Dots, crossingDot{dot{12 + float64(col)*(2*c.R+1) + c.R, float64(c.H) - 22 - c.R - float64(columns[col])*(2*c.R+1)}, later})
		columns[col]++
	}
	c.fit(columns)
	if o.CrashBy != nil && !o.CrashBy.Before(from) && !o.CrashBy.After(to) {
		v := x(*o.CrashBy)
		c.CrashX = &v
	}
	c.Ticks = s.ticks(from, to, x)
	c.Words = s.dotWords(o, now)
	if beyond > 0 {
		ones := fmt.Sprintf(" The %d hollow ones lie", beyond)
		if beyond == 1 {
			ones = " The hollow one lies"
		}
		c.Words += ones + " later than is shown."
	}
	return c
}

// fit makes the row high enough for its tallest column.
func (c *crossings) fit(columns map[int]int) {
	tallest := 0
	for _, n := range columns {
		tallest = max(tallest, n)
	}
	extra := int(math.Ceil(float64(tallest)*(2*c.R+1))) + 6 - (c.H - 22)
	if extra <= 0 {
		return
	}
	c.H += extra
	for i := range c.Dots {
		c.Dots[i].Y += float64(extra)
	}
}

// ticks names a few round hours between from and to.
func (s *Server) ticks(from, to time.Time, x func(time.Time) float64) []tick {
	step := time.Hour
	for _, h := range []time.Duration{1, 2, 3, 6, 12, 24} {
		if step = h * time.Hour; to.Sub(from)/step <= 5 {
			break
		}
	}
	var out []tick
	y, m, d := from.In(s.loc).Date()
	for t := time.Date(y, m, d, 0, 0, 0, 0, s.loc); !t.After(to); t = t.Add(step) {
		if v := x(t); !t.Before(from) && v >= 20 && v <= 320 {
			text := t.In(s.loc).Format("15:04")
			if text == "00:00" {
				text = t.In(s.loc).Format("Mon")
			}
			out = append(out, tick{v, text})
		}
	}
	return out
}

// dotWords says the dots in frequencies.
func (s *Server) dotWords(o *outlook, now time.Time) string {
	n := len(o.Dots)
	at := func(k int) string { return clock(o.Dots[k-1], now, s.loc) }
	text := "Left alone, the beer passes its ceiling at one of these moments, each equally likely."
	switch {
	case n < allDots:
		text = fmt.Sprintf("Left alone, the beer passes its ceiling in %d of %d cases, at one of these moments, each equally likely.", n, allDots)
	case n == 0:
		return ""
	}
	if n < 4 {
		return text + " The first is " + at(1) + "."
	}
	return text + fmt.Sprintf(" The first is %s, half of them lie before %s.", at(1), at(n/2+1))
}
