package page

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// chart is a graph for paper and for comparison, drawn by the server: panels one
// above the other on one axis of time. It needs no script, and every series
// differs from the others by more than its colour.
type chart struct {
	W, H   int
	Label  string // says it in words
	Panels []*panel
	Ticks  []tick // along the foot
	x0, x1 float64
}

// panel is one quantity of a chart. Coordinates are those of the chart.
type panel struct {
	Name           string
	X, Y, W, H     float64
	Ticks          []tick // X is the height of the tick's line here
	Areas, Strokes []stroke
	Dots, Diamonds []sign
	Flags          []dot // alerts, at the upper edge
	Rules          []chartRule
	Levels         []level
	lo, hi         float64
	in             func(float64) float64 // from SG or °C to the scale that is shown
	chart          *chart
}

type (
	stroke struct{ Class, D string }
	sign   struct {
		Class string
		X, Y  float64
	}
	// chartRule is an upright line with a word at its head.
	chartRule struct {
		Class, Text, Anchor string
		X, TextX, TextY     float64
	}
	// level is a line across with its name above its left end.
	level struct {
		Class, Text, Anchor string
		Y, TextX, TextY     float64
	}
	// rising is a value with its spread at a moment; value nil: a gap.
	rising struct {
		at        float64
		value, sd *float64
	}
)

// Edges of a chart, in its own units: the axis's numbers stand left.
const (
	chartLeft, chartRight, chartTop = 52.0, 10.0, 20.0
	chartFoot, chartGap             = 26.0, 26.0
)

// newChart is a chart from x0 to x1 with an empty list of panels.
func newChart(w int, x0, x1 float64) *chart {
	return &chart{W: w, H: int(chartTop + chartFoot), x0: x0, x1: x1}
}

// add puts a panel of a height below the others; its values reach from lo to hi and
// are shown by in, with so many digits at least.
func (c *chart) add(name string, height, lo, hi float64, digits int, in func(float64) float64) *panel {
	lo, hi = in(lo), in(hi)
	y := chartTop
	if n := len(c.Panels); n > 0 {
		y = c.Panels[n-1].Y + c.Panels[n-1].H + chartGap
		c.H += chartGap
	}
	p := &panel{Name: name, X: chartLeft, Y: y, W: float64(c.W) - chartLeft - chartRight, H: height, lo: lo, hi: hi, in: in, chart: c}
	c.H += int(height)
	c.Panels = append(c.Panels, p)
	step := niceStep((hi - lo) / math.Max(2, height/34))
	for v := math.Ceil(lo/step) * step; v <= hi+step/1e6; v += step {
		text := fmt.Sprintf("%.*f", max(digits, int(math.Ceil(-math.Log10(step)-1e-9))), v)
		p.Ticks = append(p.Ticks, tick{X: p.y(v), Text: minus(text)})
	}
	return p
}

// niceStep is the next of 1, 2, 5, 10 … at or above v.
func niceStep(v float64) float64 {
	if v <= 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 1
	}
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= v*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// Foot is where the panel ends, End where its right edge is.
func (p *panel) Foot() float64 { return p.Y + p.H }

// End is the panel's right edge.
func (p *panel) End() float64 { return p.X + p.W }

// TickX is where the numbers of the panel end.
func (p *panel) TickX() float64 { return p.X - 6 }

// NameY is the foot of the panel's name.
func (p *panel) NameY() float64 { return p.Y - 7 }

// Foot is the foot of the last panel.
func (c *chart) Foot() float64 { return c.Panels[len(c.Panels)-1].Foot() }

// TickY is where the names of moments stand.
func (c *chart) TickY() float64 { return c.Foot() + 17 }

func tenths(v float64) float64 { return math.Round(v*10) / 10 }

func (p *panel) x(t float64) float64 {
	return tenths(p.X + (t-p.chart.x0)/(p.chart.x1-p.chart.x0)*p.W)
}

// y places a value of the panel's own scale.
func (p *panel) y(v float64) float64 { return tenths(p.Y + (p.hi-v)/(p.hi-p.lo)*p.H) }

// within reports whether a point, in the panel's own scale, lies in it.
func (p *panel) within(t, v float64) bool {
	return t >= p.chart.x0 && t <= p.chart.x1 && v >= p.lo && v <= p.hi
}

// dots marks binned readings: the mean, and a stroke from the least to the
// greatest where they differ, so that a spike stays visible.
func (p *panel) dots(class string, rows []bin) {
	var d strings.Builder
	for _, b := range rows {
		if b[2] == nil {
			continue
		}
		if v := p.in(*b[2]); p.within(*b[0], v) {
			p.Dots = append(p.Dots, sign{class, p.x(*b[0]), p.y(v)})
		}
		lo, hi := math.Max(p.in(*b[1]), p.lo), math.Min(p.in(*b[3]), p.hi)
		if hi > lo && p.y(lo)-p.y(hi) > 2 && p.within(*b[0], lo) {
			fmt.Fprintf(&d, "M%g %gV%g", p.x(*b[0]), p.y(lo), p.y(hi))
		}
	}
	if d.Len() > 0 {
		p.Strokes = append(p.Strokes, stroke{class, d.String()})
	}
}

// line draws values with their band, broken at gaps.
func (p *panel) line(class string, rows []rising) {
	var l, a strings.Builder
	var run []rising
	edge := func(r rising, by float64) float64 {
		return p.y(math.Max(p.lo, math.Min(p.hi, p.in(*r.value+by))))
	}
	flush := func() {
		for i, r := range run {
			fmt.Fprintf(&l, "%c%g %g", "ML"[min(i, 1)], p.x(r.at), edge(r, 0))
		}
		if len(run) > 0 && run[0].sd != nil {
			for i, r := range run {
				fmt.Fprintf(&a, "%c%g %g", "ML"[min(i, 1)], p.x(r.at), edge(r, *r.sd))
			}
			for i := len(run) - 1; i >= 0; i-- {
				fmt.Fprintf(&a, "L%g %g", p.x(run[i].at), edge(run[i], -*run[i].sd))
			}
			a.WriteByte('Z')
		}
		run = run[:0]
	}
	for _, r := range rows {
		if r.value == nil {
			flush()
		} else if r.at >= p.chart.x0 && r.at <= p.chart.x1 {
			run = append(run, r)
		}
	}
	flush()
	if a.Len() > 0 {
		p.Areas = append(p.Areas, stroke{class, a.String()})
	}
	if l.Len() > 0 {
		p.Strokes = append(p.Strokes, stroke{class, l.String()})
	}
}

// diamond marks a hand sample.
func (p *panel) diamond(class string, t, v float64) {
	if v = p.in(v); p.within(t, v) {
		p.Diamonds = append(p.Diamonds, sign{class, p.x(t), p.y(v)})
	}
}

// rule draws an upright line; its word goes to the side where there is room, a
// line lower for each earlier one, so that neighbours stay readable.
func (p *panel) rule(class string, t float64, text string) {
	if t < p.chart.x0 || t > p.chart.x1 {
		return
	}
	r := chartRule{Class: class, Text: text, Anchor: "start", X: p.x(t)}
	r.TextX, r.TextY = r.X+4, p.Y+22+14*float64(len(p.Rules)%4)
	if r.X > p.X+p.W*0.72 {
		r.Anchor, r.TextX = "end", r.X-4
	}
	p.Rules = append(p.Rules, r)
}

// level draws a line across with its name; right says at which end it stands.
func (p *panel) level(class string, v float64, text string, right bool) {
	if v = p.in(v); v < p.lo || v > p.hi {
		return
	}
	l := level{Class: class, Text: text, Anchor: "start", Y: p.y(v), TextX: p.X + 4}
	l.TextY = l.Y + 13
	if right {
		l.Anchor, l.TextX = "end", p.End()-4
	}
	if l.TextY > p.Foot()-2 {
		l.TextY = l.Y - 4
	}
	p.Levels = append(p.Levels, l)
}

// dates names local midnights, or hours where the chart is short.
func (c *chart) dates(loc *time.Location) {
	from, to := time.UnixMilli(int64(c.x0*1000)).In(loc), time.UnixMilli(int64(c.x1*1000)).In(loc)
	room := int((float64(c.W) - chartLeft - chartRight) / 62)
	y, m, d := from.Date()
	p := c.Panels[0]
	if hours := to.Sub(from).Hours(); hours < 48 {
		step := 1
		for _, step = range []int{1, 2, 3, 6, 12} {
			if int(hours)/step <= room {
				break
			}
		}
		for t := time.Date(y, m, d, 0, 0, 0, 0, loc); !t.After(to); t = t.Add(time.Duration(step) * time.Hour) {
			if !t.Before(from) {
				c.Ticks = append(c.Ticks, tick{p.x(unix(t)), t.Format("15:04")})
			}
		}
		return
	}
	days := int(to.Sub(from).Hours()/24) + 1
	step := 1
	for _, step = range []int{1, 2, 7, 14, 28, 56, 91, 182, 364} {
		if days/step <= room {
			break
		}
	}
	for t := time.Date(y, m, d, 0, 0, 0, 0, loc); !t.After(to); t = time.Date(y, m, d, 0, 0, 0, 0, loc) {
		if !t.Before(from) {
			c.Ticks = append(c.Ticks, tick{p.x(unix(t)), t.Format("2 Jan")})
		}
		d += step
	}
}

// extent is the least and the greatest of what is to be seen, with some room.
type extent struct{ lo, hi float64 }

func newExtent() extent { return extent{math.Inf(1), math.Inf(-1)} }

func (e *extent) see(v float64) { e.lo, e.hi = math.Min(e.lo, v), math.Max(e.hi, v) }

// roomy widens it by a share, and to a least width; without anything in it, it is
// the one given.
func (e extent) roomy(least, lo, hi float64) (float64, float64) {
	if math.IsInf(e.lo, 0) {
		return lo, hi
	}
	pad := math.Max((e.hi-e.lo)*0.07, (least-(e.hi-e.lo))/2)
	return e.lo - pad, e.hi + pad
}
