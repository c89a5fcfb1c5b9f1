package config

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// What follows is seldom or never meant (common practice); a slip of the pen is likelier,
// and with it a crash comes hours late.
const (
	// strongWort is seldom brewed to stay under lowCeiling, % ABV; a digit too few is
	// typed more often.
	strongWort = 1.05
	lowCeiling = 1.2
	// tinyCeiling is passed before anybody sees that the beer ferments.
	tinyCeiling = 0.2
	// A vessel of wholeVessel litres or more cools with a time constant of half an hour
	// at best, by glycol, and of a day and more where nothing cools it.
	wholeVessel   = 5
	tooFast, fast = 10 * time.Minute, 30 * time.Minute
	slow          = 30 * time.Hour
	// lateResponse: who takes longer is not told in time by a projection.
	lateResponse = 12 * time.Hour
	// warmCrash, °C, is not cold for any yeast.
	warmCrash = 8
)

// Doubt is something of a batch that can hardly be meant.
type Doubt struct {
	Key, Text string // of the batch file, such as crash.to; what and what to do
	Never     bool   // nobody means it: a batch is not begun with it
}

// Doubts are what can hardly be meant of a batch. keep is the range it ferments in;
// nil: not said. What is nought is not said yet.
func Doubts(b projection.Batch, keep *Range) (all []Doubt) {
	doubt := func(never bool, key, format string, args ...any) {
		all = append(all, Doubt{key, fmt.Sprintf(format, args...), never})
	}
	low := b.Ceiling.Limit > 0 && b.Ceiling.Limit <= lowCeiling
	if b.OriginalGravity > strongWort && low {
		doubt(false, "original_gravity", "%.4f is strong wort for a ceiling of %s %% ABV; was %.4f meant?",
			float64(b.OriginalGravity), b.Ceiling, 1+float64(b.OriginalGravity-1)/10)
	}
	if c := b.Ceiling.Limit; c > 0 && c < tinyCeiling {
		doubt(false, "ceiling", "%g %% ABV is passed in the first hours of a fermentation, before a float can tell; was %g meant?", float64(c), 10*float64(c))
	}
	if b.ResponseTime > lateResponse {
		doubt(false, "response_time", "%s pass from the notification until the crash starts, so the phone rings that much earlier, by a guess; was %gm meant?", Span(b.ResponseTime), b.ResponseTime.Hours())
	}
	coolingDoubts(b, keep, doubt)
	return all
}

func coolingDoubts(b projection.Batch, keep *Range, doubt func(never bool, key, format string, args ...any)) {
	const usual = "a refrigerator takes 5 to 10 h, with a fan 2.5 to 5 h, glycol 0.5 to 3 h"
	c := b.Crash.TimeConstant
	switch {
	case c > 0 && c < fast && b.Volume >= wholeVessel:
		doubt(c < tooFast, "crash.time_constant", "%.4g L do not cool with a time constant of %s (%s), and crash-now would come hours too late; was %gh meant?",
			float64(b.Volume), Span(c), usual, c.Minutes())
	case c > slow:
		doubt(false, "crash.time_constant", "with a time constant of %s the beer is not cold for days (%s); was %gm meant?", Span(c), usual, c.Hours())
	}
	switch to := b.Crash.To; {
	case keep != nil && to >= keep.Low:
		doubt(true, "crash.to", "%.3g °C is not below the %.3g °C at which the beer may ferment, so the crash would not cool; a crash goes to 0 to 5 °C", float64(to), float64(keep.Low))
	case to > warmCrash:
		doubt(false, "crash.to", "at %.3g °C the yeast goes on; a crash goes to 0 to 5 °C. Was %g Cel meant?", float64(to), float64(to)/10)
	}
}

// doubt notes what can hardly be meant, with its place.
func (r *reader) doubt(o object, f *BatchFile) {
	b := f.Batch
	if b.Ceiling.Limit <= 0 || b.OriginalGravity <= 1 || b.Ceiling.Limit > gravity.Utmost(b.OriginalGravity) {
		return // wrong already
	}
	for _, d := range Doubts(b, f.Temperature) {
		n := placeOf(o, d.Key)
		if n == nil {
			continue
		}
		place := Error{File: r.file, Line: n.Line, Column: n.Column, Text: d.Key + ": " + d.Text}
		if d.Never {
			f.never = append(f.never, &place)
			continue
		}
		f.Warnings = append(f.Warnings, place.Error())
	}
}

// placeOf is where a key of the batch or of its crash stands. If neither does, all of
// the cooling is as usual, and it is the range that is odd.
func placeOf(o object, key string) *yaml.Node {
	first, inner, nested := strings.Cut(key, ".")
	n := o.get(first)
	if nested && n != nil {
		if v := (&reader{}).object(n, crashKeys()).get(inner); v != nil {
			return v
		}
	}
	if n == nil {
		n = o.get("temperature")
	}
	return n
}

// Impossible is the fault of a batch that nobody means, so that it is not begun. A file
// does not have it by itself: one that runs already is watched on.
func (f BatchFile) Impossible() error { return errors.Join(f.never...) }
