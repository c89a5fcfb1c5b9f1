package page

import (
	"context"
	"encoding/json"
	"math"
	"time"

	"ebbline/ingest"
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
}

// figures lists what is known of a batch as numbers. slope may be nil.
func (s *Server) figures(st *status, rate *slope) []figure {
	now := s.opts.Now()
	var out []figure
	age, stale := "no reading yet", true
	if last, ok := st.LastSeen[ingest.Gravity]; ok {
		age, stale = "reading "+ago(last.Time, now), st.Stale
	}
	if e := st.Estimate; e != nil {
		out = append(out,
			figure{Name: "Gravity", Value: sg(e.Gravity), Unit: "SG", Spread: "± " + sgSpread(e.GravitySD), Age: age, Stale: stale},
			figure{Name: "Alcohol", Value: abv(e.ABV), Unit: "% ABV", Spread: "± " + abv(e.ABVSD), Note: "rule: " + string(st.About.Rule), Age: age, Stale: stale})
		if og := float64(st.About.OriginalGravity); og > 1.0005 {
			sd := math.Hypot(e.GravitySD, float64(st.About.OriginalGravitySD)/1000*(e.Gravity-1)/(og-1)) / (og - 1)
			out = append(out, figure{Name: "Attenuation", Value: tenth((og - e.Gravity) / (og - 1) * 100), Unit: "%",
				Spread: "± " + tenth(sd*100), Note: "apparent", Age: age, Stale: stale})
		}
		if rate != nil {
			out = append(out, figure{Name: "Rate", Value: minus(tenth(rate.Value)), Unit: "points a day",
				Spread: "± " + tenth(rate.SD), Note: "over " + span(rate.Over), Age: age, Stale: stale})
		}
	}
	if last, ok := st.LastSeen[ingest.Temperature]; ok {
		out = append(out, figure{Name: "Temperature", Value: tenth(last.Value), Unit: "°C", Note: last.Sensor,
			Age: "reading " + ago(last.Time, now), Stale: now.Sub(last.Time) > s.opts.StaleAfter && st.Batch.Ended == nil})
	}
	if st.PH != nil {
		out = append(out, figure{Name: "pH", Value: abv(st.PH.Value), Note: "from " + st.PH.From, Age: ago(st.PH.Time, now)})
	} else {
		out = append(out, figure{Name: "pH", Value: "–", Note: "not measured yet"})
	}
	return out
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
// before. Its spread treats the two errors as independent. They share the
// sensor's offset, so the true spread is smaller: the figure errs on the side
// of doubt.
func (s *Server) rate(ctx context.Context, st *status) (*slope, error) {
	if st.Estimate == nil {
		return nil, nil
	}
	end := st.Estimate.Time
	ev, err := s.opts.Journal.Events(ctx, st.Batch.ID, []string{"estimate"}, end.Add(-rateOver), end, 1, false)
	if err != nil || len(ev) == 0 {
		return nil, err
	}
	var first estimate
	if err := json.Unmarshal(ev[0].Body, &first); err != nil {
		return nil, err
	}
	over := end.Sub(ev[0].Time)
	if over < rateAtLeast {
		return nil, nil
	}
	days := over.Hours() / 24
	return &slope{
		Value: (st.Estimate.Gravity - first.Gravity) * 1000 / days,
		SD:    math.Hypot(st.Estimate.GravitySD, first.GravitySD) * 1000 / days,
		Over:  over,
	}, nil
}
