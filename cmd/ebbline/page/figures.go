package page

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// figure is one number with all that a careful reader asks of it.
type figure struct {
	Name   string
	Value  string
	Unit   string
	Spread string // one standard deviation, with its sign; empty if measured
	Note   string // rule or source
	Age    string
	Stale  bool
	Unused string // why it counts for nothing; empty: it counts
}

// figures lists what is known of a batch as numbers, in the brewer's scales.
// rate may be nil.
func (s *Server) figures(st *status, rate *slope, u Units) []figure {
	var out []figure
	age, stale := "no reading yet", true
	if last, ok := st.LastSeen[ingest.Gravity]; ok {
		age, stale = "reading "+s.aged(st, last.Time), st.Stale
	}
	if st.Behind != nil {
		age, stale = "as of "+clock(*st.Behind, s.opts.Now(), s.loc), true
	}
	add := func(f figure) {
		f.Age, f.Stale = age, stale
		out = append(out, f)
	}
	if e := st.Estimate; e != nil {
		value, spread, unit := u.gravityFigure(e.Gravity, e.GravitySD)
		add(figure{Name: "Gravity", Value: value, Unit: unit, Spread: "± " + spread})
		add(figure{Name: "Alcohol", Value: abv(e.ABV), Unit: "% ABV", Spread: "± " + abv(e.ABVSD), Note: "rule: " + string(ruleOf(st.About))})
		if share, sd, ok := attenuation(st.About, e); ok {
			add(figure{Name: "Attenuation", Value: tenth(share), Unit: "%", Spread: "± " + tenth(sd), Note: "apparent"})
		}
		if rate != nil {
			value, spread, unit := u.rateFigure(rate.Value, rate.SD)
			add(figure{Name: "Rate", Value: minus(value), Unit: unit, Spread: "± " + spread, Note: "over " + span(rate.Over)})
		}
	}
	if last, ok := st.LastSeen[ingest.Temperature]; ok {
		value, unit := u.temperatureFigure(last.Value)
		out = append(out, figure{
			Name: "Temperature", Value: value, Unit: unit, Note: last.Sensor, Age: "reading " + s.aged(st, last.Time),
			Stale: s.opts.Now().Sub(last.Time) > s.opts.StaleAfter && st.Batch.Ended == nil,
		})
	}
	if last := st.Unused; last != nil {
		value, unit := u.temperatureFigure(last.Value)
		out = append(out, figure{
			Name: "Temperature", Value: value, Unit: unit, Note: last.Sensor, Age: "reading " + s.aged(st, last.Time), Stale: true, Unused: unusedWords(last.Value, u),
		})
	}
	if st.PH != nil {
		f := figure{Name: "pH", Value: abv(st.PH.Value), Note: "from " + st.PH.From, Age: s.aged(st, st.PH.Time)}
		if !gravity.PH(st.PH.Value).Likely() {
			f.Stale, f.Unused = true, "Hardly that of beer: measure it again."
		}
		return append(out, f)
	}
	none := figure{Name: "pH", Value: "–", Note: "not measured yet"}
	if st.Batch.Ended != nil {
		none.Note = "not measured"
	}
	return append(out, none)
}

// unusedWords says why a temperature is not used; empty if it is.
func unusedWords(celsius float64, u Units) string {
	switch {
	case projection.BeersOwn(celsius):
		return ""
	case celsius < projection.Coldest:
		return fmt.Sprintf("Not used: below %s beer is ice.", u.temperature(projection.Coldest))
	}
	return fmt.Sprintf("Not used: no beer ferments above %s.", u.temperature(projection.Hottest))
}

// byRule is the believed strength as another rule counts it.
type byRule struct {
	Rule, Value, Spread string
	Own                 bool // the batch's own rule
}

// byRules tells the believed strength by every rule: the gravity that it stands
// for by the batch's own rule, counted by each. None without a strength or an
// original gravity.
func byRules(b projection.Batch, e *estimate) []byRule {
	if e == nil || !worthy(b.OriginalGravity) {
		return nil
	}
	g, spread := fallen(b, e)
	var out []byRule
	for _, r := range gravity.Rules() {
		v := r.ABV(b.OriginalGravity, g)
		out = append(out, byRule{
			Rule: string(r), Value: minus(abv(float64(v))), Spread: abv(float64(r.ABV(b.OriginalGravity, g-spread) - v)), Own: r == ruleOf(b),
		})
	}
	return out
}

// gravityFigure parts a gravity with its spread from its unit.
func (u Units) gravityFigure(g, sd float64) (value, spread, unit string) {
	if u.Plato {
		p := float64(gravity.SG(g).Plato())
		return minus(abv(p)), abv(float64(gravity.SG(g+sd).Plato()) - p), "°P"
	}
	return sg(g), sgSpread(sd), "SG"
}

// rateFigure parts a change of gravity in points a day from its unit.
func (u Units) rateFigure(points, sd float64) (value, spread, unit string) {
	if u.Plato {
		aPoint := float64(gravity.SG(1.01).Plato()-gravity.SG(1).Plato()) / 10
		return abv(points * aPoint), abv(sd * aPoint), "°P a day"
	}
	return tenth(points), tenth(sd), "points a day"
}

// temperatureFigure parts a temperature from its unit.
func (u Units) temperatureFigure(c float64) (value, unit string) {
	value, unit, _ = strings.Cut(u.temperature(c), " ")
	return value, unit
}

// aged says how old something is; of a finished batch, when it was.
func (s *Server) aged(st *status, t time.Time) string {
	if st.Batch.Ended != nil {
		return "of " + clock(t, s.opts.Now(), s.loc)
	}
	return ago(t, s.opts.Now())
}

// slope is how fast gravity changes, in points a day (falling is negative).
type slope struct {
	Value, SD float64
	Over      time.Duration
}

// rateOver bounds the stretch that the rate is taken over.
const (
	rateOver    = 12 * time.Hour
	rateAtLeast = 3 * time.Hour
)

// rate compares the last estimate with the first one of the twelve hours
// before. Its spread treats the two errors as independent; in truth they
// share much, so the figure errs on the side of doubt.
func (s *Server) rate(ctx context.Context, st *status) (*slope, error) {
	if st.Estimate == nil || st.Batch.Ended != nil || !worthy(st.About.OriginalGravity) {
		return nil, nil
	}
	end := st.Estimate.Time
	ev, err := s.opts.Journal.Events(ctx, st.Batch.ID, []string{"estimate"}, end.Add(-rateOver), end, 1, false)
	if err != nil || len(ev) == 0 {
		return nil, err
	}
	var first estimate
	if err := json.Unmarshal(ev[0].Body, &first); err != nil {
		return nil, fmt.Errorf("read an estimate of batch %s: %w", st.Batch.ID, err)
	}
	over := end.Sub(ev[0].Time)
	if over < rateAtLeast {
		return nil, nil
	}
	before, sdBefore := fallen(st.About, &first)
	now, sdNow := fallen(st.About, st.Estimate)
	aDay := 1000 / (over.Hours() / 24) // SG to points a day
	return &slope{Value: float64(now-before) * aDay, SD: math.Hypot(float64(sdBefore), float64(sdNow)) * aDay, Over: over}, nil
}
