package main

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"ebbline/ingest"
)

const pictureWidth, panelHeight, panelGap = 1200, 330, 50

// course is a column of the looks.
func course(looks []look, value func(look) float64) []float64 {
	out := make([]float64, len(looks))
	for k, l := range looks {
		out[k] = value(l)
	}
	return out
}

// gapped puts a look that is not a number into every pause of more than an hour,
// so that no line is drawn through what nobody said.
func gapped(looks []look) (out []look) {
	nan := math.NaN()
	for k, l := range looks {
		if k > 0 && l.hour-looks[k-1].hour > 1.01 {
			none := [3]float64{nan, nan, nan}
			out = append(out, look{l.hour, nan, nan, nan, nan, nan, nan, none, none, none})
		}
		out = append(out, l)
	}
	return out
}

// picture draws belief against truth: gravity, alcohol, and how far off crash
// by and crossing are.
func picture(path string, j *judged, v verdict) error {
	c := newCanvas(pictureWidth, 3*(panelHeight+panelGap)+60)
	readings, err := j.readings()
	if err != nil {
		return err
	}
	if len(v.course) == 0 {
		return fmt.Errorf("%s: nothing was believed, so there is nothing to draw", v.name)
	}
	p := pictured{canvas: c, j: j, v: v, until: v.course[len(v.course)-1].hour}
	p.v.course = gapped(v.course)
	p.hours = course(p.v.course, func(l look) float64 { return l.hour })
	if v.crosses {
		p.until = min(p.until, max(v.crossing, v.alarm)+24)
	}
	batch, outcome := p.title()
	c.text(60, 20, batch, color.Black)
	c.text(60, 40, outcome, color.Black)
	p.gravity(readings)
	p.alcohol()
	p.ahead()
	return c.save(path)
}

// pictured is one batch on its way into a picture.
type pictured struct {
	*canvas
	j     *judged
	v     verdict
	until float64   // h
	hours []float64 // of the looks
}

// Colours after Okabe & Ito, which also the colour-blind tell apart.
func truthInk() color.Color    { return color.Black }
func believedInk() color.Color { return color.NRGBA{0, 114, 178, 255} }
func spreadInk() color.Color   { return color.NRGBA{0, 114, 178, 50} }
func limitInk() color.Color    { return color.NRGBA{213, 94, 0, 255} }
func alarmInk() color.Color    { return color.NRGBA{204, 121, 167, 255} }
func readingInk() color.Color  { return color.NRGBA{0, 0, 0, 50} }
func sampleInk() color.Color   { return color.NRGBA{0, 158, 115, 255} }
func crashByInk() color.Color  { return color.NRGBA{230, 159, 0, 255} }

// title is what the batch was and what became of it, in two lines.
func (p *pictured) title() (batch, outcome string) {
	b := p.j.file.Batch
	batch = fmt.Sprintf("%s: original gravity %.4f (by hand %.4f), ceiling %s %% ABV, accepted risk %g. Hours after pitch.",
		p.v.label(), p.j.truth.gravity[0], float64(b.OriginalGravity), b.Ceiling, b.Risk)
	outcome = "Never crosses. "
	if p.v.crosses {
		outcome = fmt.Sprintf("Crosses at %.1f h. ", p.v.crossing)
	}
	if !p.v.alarmed {
		return batch, outcome + "No crash-now."
	}
	return batch, outcome + fmt.Sprintf("Crash-now at %.1f h, ends at %.3f %% ABV.", p.v.alarm, p.v.final)
}

// panel makes the k-th panel from above.
func (p *pictured) panel(k int, low, high float64, title string) *panel {
	top := 80 + k*(panelHeight+panelGap)
	return p.canvas.panel(image.Rect(60, top, pictureWidth-20, top+panelHeight), 0, p.until, low, high, title)
}

// events are the upright lines of all panels.
func (p *pictured) events(q *panel) {
	if p.v.crosses {
		q.upright(p.v.crossing, truthInk(), true)
		q.name("true crossing", color.Gray{96})
	}
	if p.v.alarmed {
		q.upright(p.v.alarm, alarmInk(), false)
		q.name("crash-now", alarmInk())
	}
}

func (p *pictured) truth(q *panel, column []float64, ink color.Color, dashed bool) {
	hours := make([]float64, len(column))
	for k := range hours {
		hours[k] = float64(k)
	}
	q.line(hours, column, ink, 2, dashed)
}

// points are a gravity in points, so that the axis is legible.
func points(sg float64) float64 { return 1000 * (sg - 1) }

func (p *pictured) gravity(readings []ingest.Reading) {
	b := p.j.file.Batch
	var truth []float64
	for _, g := range p.j.truth.gravity {
		truth = append(truth, points(g))
	}
	target := points(float64(b.Rule.GravityAt(b.OriginalGravity, b.Ceiling.Limit)))
	var hours, shown []float64
	for _, r := range readings {
		if h := r.Time.Sub(b.PitchedAt).Hours(); r.Quantity == ingest.Gravity && h <= p.until {
			hours, shown = append(hours, h), append(shown, points(r.Value))
		}
	}
	low, high := min(between(truth, p.until), target), truth[0]
	if sorted := slices.Sorted(slices.Values(shown)); len(sorted) > 0 { // outliers may lie outside the picture
		low, high = min(low, sorted[len(sorted)/50]), max(high, sorted[len(sorted)-1-len(sorted)/50])
	}
	q := p.panel(0, low-1, high+1, "gravity, points")
	q.dots(hours, shown, readingInk(), 2)
	q.name("float", readingInk())
	bound := func(k float64) []float64 {
		return course(p.v.course, func(l look) float64 { return points(l.gravity + k*l.gravitySD) })
	}
	q.band(p.hours, bound(-1.645), bound(1.645), spreadInk())
	q.line(p.hours, course(p.v.course, func(l look) float64 { return points(l.gravity) }), believedInk(), 2, false)
	q.name("estimate ± 1.645 sd", believedInk())
	p.truth(q, truth, truthInk(), false)
	q.name("truth", truthInk())
	q.level(target, limitInk(), true)
	q.name("target by the hand sample", limitInk())
	hours, shown = []float64{0}, []float64{points(float64(b.OriginalGravity))}
	for _, s := range p.j.file.Samples {
		if s.Gravity != nil {
			hours, shown = append(hours, s.Time.Sub(b.PitchedAt).Hours()), append(shown, points(float64(*s.Gravity)))
		}
	}
	q.dots(hours, shown, sampleInk(), 7)
	q.name("hand samples", sampleInk())
	p.events(q)
}

func (p *pictured) alcohol() {
	ceiling := float64(p.j.file.Batch.Ceiling.Limit)
	q := p.panel(1, 0, max(1.5*ceiling, 1.1*between(p.j.truth.crashed, p.until)), "% ABV")
	quantile := func(k int) []float64 { return course(p.v.course, func(l look) float64 { return l.crashed[k] }) }
	q.band(p.hours, quantile(0), quantile(2), color.NRGBA{230, 159, 0, 60})
	q.line(p.hours, quantile(1), crashByInk(), 2, false)
	q.name("if crashed now, p10 p50 p90", crashByInk())
	p.truth(q, p.j.truth.crashed, sampleInk(), true)
	q.name("true end of a crash that starts now", sampleInk())
	q.line(p.hours, course(p.v.course, func(l look) float64 { return l.abv }), believedInk(), 2, false)
	q.name("believed", believedInk())
	p.truth(q, p.j.truth.abv, truthInk(), false)
	q.name("truth", truthInk())
	q.level(ceiling, limitInk(), true)
	q.name("ceiling", limitInk())
	p.events(q)
}

// ahead draws how many hours off crash by and the crossing are believed to be.
func (p *pictured) ahead() {
	q := p.panel(2, -12, 84, "hours from the look to")
	quantile := func(k int) []float64 {
		return course(p.v.course, func(l look) float64 { return l.crossing[k] - l.hour })
	}
	q.band(p.hours, quantile(0), quantile(2), spreadInk())
	q.line(p.hours, quantile(1), believedInk(), 2, false)
	q.name("crossing, p10 p50 p90", believedInk())
	q.line(p.hours, course(p.v.course, func(l look) float64 { return l.crashBy - l.hour }), crashByInk(), 2, false)
	q.name("crash by", crashByInk())
	fall := []float64{0, p.until}
	if p.v.crosses {
		q.line(fall, []float64{p.v.crossing, p.v.crossing - p.until}, truthInk(), 2, false)
		q.name("true crossing", truthInk())
	}
	if last := p.lastCrash(); !math.IsNaN(last) {
		q.line(fall, []float64{last, last - p.until}, sampleInk(), 2, true)
		q.name("last crash that holds", sampleInk())
	}
	q.level(0, limitInk(), true)
	p.events(q)
}

// lastCrash is the last hour at which a crash still kept the ceiling; NaN if any
// does or none.
func (p *pictured) lastCrash() float64 {
	ceiling := float64(p.j.file.Batch.Ceiling.Limit)
	k := slices.IndexFunc(p.j.truth.crashed, func(abv float64) bool { return abv > ceiling })
	if k < 1 {
		return math.NaN()
	}
	before, after := p.j.truth.crashed[k-1], p.j.truth.crashed[k]
	return float64(k-1) + (ceiling-before)/(after-before)
}
