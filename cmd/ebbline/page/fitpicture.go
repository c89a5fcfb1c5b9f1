package page

import (
	"fmt"
	"math"
	"strings"

	"ebbline/ingest"
)

// fitPicture is a fit in an SVG: the pairs as dots, the curve through them, and
// how far each lies off it, drawn larger.
type fitPicture struct {
	W, H   int
	Curve  string
	Dots   []spot
	Sticks []stick
	Label  string
	// Left and Right are what the ends of the curve stand for.
	Left, Right string
}

type (
	spot  struct{ X, Y string }
	stick struct{ X, From, To string }
)

// viewFit puts a calibration into words and a picture.
func viewFit(c Calibration, u Units) *fitView {
	f := c.Fit
	v := &fitView{
		Formula: formula(f.Coefficients, c.Quantity), SD: tenth2(f.SD) + " points",
		Range: fmt.Sprintf("%s to %s", shownText(f.Low, c.Quantity, u), shownText(f.High, c.Quantity, u)),
	}
	worst := 0.0
	for i, p := range c.Pairs {
		worst = max(worst, math.Abs(f.Residuals[i]))
		v.Residuals = append(v.Residuals, residual{shownText(p.Shown, c.Quantity, u), u.gravity(p.Known), signed(f.Residuals[i]) + " points"})
	}
	if worst > 2 {
		v.Doubt = fmt.Sprintf("One pair lies %s points off the curve: more than half of what a batch may fall in all. Look for a mistyped pair or measure it again.", tenth(worst))
	}
	v.Picture = drawFit(c, u)
	return v
}

// drawFit lays the picture out: 320 by 220, with a line of words below.
func drawFit(c Calibration, u Units) *fitPicture {
	const w, h, margin, words = 320, 220, 14, 28
	f := c.Fit
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range c.Pairs {
		low, high = min(low, p.Known, f.At(p.Shown)), max(high, p.Known, f.At(p.Shown))
	}
	x := func(v float64) string { return tenth(margin + (v-f.Low)/(f.High-f.Low)*(w-2*margin)) }
	y := func(v float64) string { return tenth(h - words - (v-low)/(high-low)*(h-2*words)) }
	end := func(v float64) string { return shownText(v, c.Quantity, u) + " is " + u.gravity(f.At(v)) }
	p := &fitPicture{
		W: w, H: h, Left: end(f.Low), Right: end(f.High),
		Label: fmt.Sprintf("%d pairs and the curve through them: %s, %s; off by %s points",
			len(c.Pairs), end(f.Low), end(f.High), tenth2(f.SD)),
	}
	var path strings.Builder
	for i := range 61 {
		at := f.Low + (f.High-f.Low)*float64(i)/60
		fmt.Fprintf(&path, "%s%s %s", map[bool]string{true: "M", false: "L"}[i == 0], x(at), y(f.At(at)))
	}
	p.Curve = path.String()
	for _, one := range c.Pairs {
		p.Dots = append(p.Dots, spot{x(one.Shown), y(one.Known)})
		p.Sticks = append(p.Sticks, stick{x(one.Shown), y(f.At(one.Shown)), y(one.Known)})
	}
	return p
}

// tenth2 prints points with the hundredths that a fit of clean pairs has.
func tenth2(v float64) string {
	if v < 0.1 {
		return abv(v)
	}
	return tenth(v)
}

func signed(v float64) string {
	if v >= 0 {
		return "+" + tenth2(v)
	}
	return "−" + tenth2(-v)
}

func shownText(v float64, q ingest.Quantity, u Units) string {
	if q == ingest.Gravity {
		return u.gravity(v)
	}
	return minus(tenth(v)) + "°"
}

// formula writes the coefficients as a configuration file would take them.
func formula(c []float64, q ingest.Quantity) string {
	parts := make([]string, len(c))
	for i, v := range c {
		parts[i] = fmt.Sprintf("%.9g", v)
	}
	return fmt.Sprintf("{quantity: %s, calibration: [%s]}", q, strings.Join(parts, ", "))
}
