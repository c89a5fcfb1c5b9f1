package main

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"os"

	"golang.org/x/image/font"
	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// canvas is a white picture to draw panels on.
type canvas struct{ img *image.RGBA }

func newCanvas(width, height int) *canvas {
	c := &canvas{image.NewRGBA(image.Rect(0, 0, width, height))}
	draw.Draw(c.img, c.img.Rect, image.White, image.Point{}, draw.Src)
	return c
}

func (c *canvas) save(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("writing a picture: %w", err)
	}
	if err := png.Encode(f, c.img); err != nil {
		_ = f.Close()
		return fmt.Errorf("writing a picture %s: %w", path, err)
	}
	return f.Close()
}

// text writes s with its lower left corner at x, y and tells its width.
func (c *canvas) text(x, y int, s string, ink color.Color) int {
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(ink), Face: inconsolata.Regular8x16, Dot: fixed.P(x, y)}
	d.DrawString(s)
	return d.Dot.X.Ceil() - x
}

// panel is a rectangle of a canvas with axes: x from left to right, y upwards.
type panel struct {
	*canvas
	area           image.Rectangle
	x0, x1, y0, y1 float64
	legend         int // where the next entry of the legend begins
}

// panel frames a part of the canvas and rules it at round numbers.
func (c *canvas) panel(area image.Rectangle, x0, x1, y0, y1 float64, title string) *panel {
	p := &panel{canvas: c, area: area, x0: x0, x1: x1, y0: y0, y1: y1}
	rule := color.NRGBA{0, 0, 0, 24}
	for _, x := range ticks(x0, x1, 24) {
		p.line([]float64{x, x}, []float64{y0, y1}, rule, 1, false)
		at, _ := p.pixel(x, y0)
		c.text(int(at)+area.Min.X-8, area.Max.Y+15, fmt.Sprintf("%g", x), color.Black)
	}
	for _, y := range ticks(y0, y1, round((y1-y0)/6)) {
		p.line([]float64{x0, x1}, []float64{y, y}, rule, 1, false)
		_, at := p.pixel(x0, y)
		c.text(area.Min.X-46, int(at)+area.Min.Y+5, fmt.Sprintf("%.4g", y), color.Black)
	}
	p.legend = area.Min.X + c.text(area.Min.X, area.Min.Y-6, title, color.Black) + 24
	return p
}

// ticks are the multiples of step from low to high.
func ticks(low, high, step float64) (at []float64) {
	for k := math.Ceil(low / step); k*step <= high; k++ {
		at = append(at, k*step+0) // plus zero: never "-0"
	}
	return at
}

// round is the number of the form 1, 2 or 5 times a power of ten at or above v.
func round(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 2, 5} {
		if v <= k*ten {
			return k * ten
		}
	}
	return 10 * ten
}

// name adds an entry to the legend above the panel.
func (p *panel) name(label string, ink color.Color) {
	y := p.area.Min.Y - 6
	draw.Draw(p.img, image.Rect(p.legend, y-9, p.legend+12, y), image.NewUniform(opaque(ink)), image.Point{}, draw.Src)
	p.legend += 34 + p.text(p.legend+16, y, label, color.Black)
}

func opaque(ink color.Color) color.Color {
	c := color.NRGBAModel.Convert(ink).(color.NRGBA)
	c.A = max(c.A, 128)
	return c
}

// pixel is where a value lies in the panel; what lies far outside is brought
// near, so that a line towards it still leaves in its direction.
func (p *panel) pixel(x, y float64) (float32, float32) {
	w, h := float64(p.area.Dx()), float64(p.area.Dy())
	px, py := (x-p.x0)/(p.x1-p.x0)*w, (p.y1-y)/(p.y1-p.y0)*h
	return float32(min(max(px, -w), 2*w)), float32(min(max(py, -h), 2*h))
}

// fill paints the path that was drawn.
func (p *panel) fill(z *vector.Rasterizer, ink color.Color) {
	z.Draw(p.img, p.area, image.NewUniform(ink), image.Point{})
}

func (p *panel) raster() *vector.Rasterizer { return vector.NewRasterizer(p.area.Dx(), p.area.Dy()) }

// line joins the values, broken where one is NaN.
func (p *panel) line(xs, ys []float64, ink color.Color, width float32, dashed bool) {
	z := p.raster()
	walked := float32(0)
	for k := 1; k < len(xs); k++ {
		if math.IsNaN(ys[k-1]) || math.IsNaN(ys[k]) {
			continue
		}
		ax, ay := p.pixel(xs[k-1], ys[k-1])
		bx, by := p.pixel(xs[k], ys[k])
		length := float32(math.Hypot(float64(bx-ax), float64(by-ay)))
		if length == 0 {
			continue
		}
		const dash = 6
		for from := float32(0); from < length; {
			to := length
			if dashed {
				to = min(length, from+dash-float32(math.Mod(float64(walked+from), dash))+0.01)
			}
			if !dashed || int((walked+from)/dash)%2 == 0 {
				stroke(z, ax+(bx-ax)*from/length, ay+(by-ay)*from/length, ax+(bx-ax)*to/length, ay+(by-ay)*to/length, width)
			}
			from = to
		}
		walked += length
	}
	p.fill(z, ink)
}

// stroke adds a thick segment.
func stroke(z *vector.Rasterizer, ax, ay, bx, by, width float32) {
	length := float32(math.Hypot(float64(bx-ax), float64(by-ay)))
	if length == 0 {
		return
	}
	nx, ny := (ay-by)/length*width/2, (bx-ax)/length*width/2
	z.MoveTo(ax+nx, ay+ny)
	z.LineTo(bx+nx, by+ny)
	z.LineTo(bx-nx, by-ny)
	z.LineTo(ax-nx, ay-ny)
	z.ClosePath()
}

// band fills what lies between low and high, broken where one is NaN.
func (p *panel) band(xs, low, high []float64, ink color.Color) {
	z := p.raster()
	for k := 1; k < len(xs); k++ {
		if math.IsNaN(low[k-1] + high[k-1] + low[k] + high[k]) {
			continue
		}
		for i, c := range [][2]float64{{xs[k-1], low[k-1]}, {xs[k], low[k]}, {xs[k], high[k]}, {xs[k-1], high[k-1]}} {
			x, y := p.pixel(c[0], c[1])
			if i == 0 {
				z.MoveTo(x, y)
			} else {
				z.LineTo(x, y)
			}
		}
		z.ClosePath()
	}
	p.fill(z, ink)
}

// dots marks single values by squares of the given size in pixels.
func (p *panel) dots(xs, ys []float64, ink color.Color, size float32) {
	z := p.raster()
	for k := range xs {
		x, y := p.pixel(xs[k], ys[k])
		stroke(z, x-size/2, y, x+size/2, y, size)
	}
	p.fill(z, ink)
}

// level draws a line across, upright one from bottom to top.
func (p *panel) level(y float64, ink color.Color, dashed bool) {
	p.line([]float64{p.x0, p.x1}, []float64{y, y}, ink, 1.5, dashed)
}

func (p *panel) upright(x float64, ink color.Color, dashed bool) {
	p.line([]float64{x, x}, []float64{p.y0, p.y1}, ink, 1.5, dashed)
}
