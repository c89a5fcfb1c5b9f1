package page

import (
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"ebbline/alert"
	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// reportPage is a batch on paper: A4 or letter, black on white.
type reportPage struct {
	Batch    journal.Batch
	Printed  string
	Running  bool
	Sentence string
	Facts    []fact
	Figures  []fact
	Rules    []byRule
	Wide     *chart // on paper and wide screens
	Narrow   *chart // on a phone
	Samples  []sampleRow
	Events   []eventRow
	Units    Units
	Struck   bool // something in the tables is struck out
	Thinned  string
	Cautions []string
}

type (
	// fact is a name with a value, its spread and where it comes from.
	fact      struct{ Name, Value, Note string }
	sampleRow struct {
		When, Gravity, At, Brix, PH string
		Struck                      bool
		time                        time.Time
		gravity                     *float64
	}
	eventRow struct {
		When, Text string
		Struck     bool
		time       time.Time
	}
)

// paperTime is how a report writes a moment: whole, for it is read years later.
const paperTime = "Mon 2 Jan 2006 15:04"

func (s *Server) onPaper(t time.Time) string { return t.In(s.loc).Format(paperTime) }

func (s *Server) getReport(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	u := s.unitsOf(r)
	h, err := s.history(r.Context(), st, u, 300)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	thinned, err := s.thinned(r.Context(), st)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := reportPage{
		Batch: st.Batch, Printed: s.onPaper(s.opts.Now()), Running: st.Batch.Ended == nil, Facts: s.reportFacts(h), Figures: reportFigures(h),
		Rules: byRules(st.About, h.final()), Wide: s.reportChart(h, 720, 250, 110), Narrow: s.reportChart(h, 350, 230, 110),
		Samples: h.samples, Events: s.eventRows(h), Thinned: thinned, Units: u, Cautions: reportCautions(st),
	}
	if p.Running {
		p.Sentence = s.sentence(st, u)
	}
	p.Struck = slices.ContainsFunc(p.Samples, func(m sampleRow) bool { return m.Struck }) || slices.ContainsFunc(p.Events, func(e eventRow) bool { return e.Struck })
	s.show(w, r, http.StatusOK, "report", frame{Title: "Report of " + st.Batch.Name, Here: "batches", Body: p})
}

// reportFacts is what was planned and done.
func (s *Server) reportFacts(h *history) []fact {
	st, b := h.st, h.st.About
	out := []fact{{"Pitched", s.onPaper(b.PitchedAt), ""}}
	if st.Crashed != nil {
		out = append(out, fact{"Crash started", s.onPaper(*st.Crashed), lasted(st.Crashed.Sub(b.PitchedAt)) + " after pitch"})
	}
	if st.Batch.Ended != nil {
		out = append(out, fact{packagedAs(h), s.onPaper(*st.Batch.Ended), lasted(st.Batch.Ended.Sub(b.PitchedAt)) + " after pitch"})
	}
	if worthy(b.OriginalGravity) {
		og := fact{"Original gravity", h.u.gravity(float64(b.OriginalGravity)), "hand sample at pitch"}
		if b.OriginalGravitySD > 0 {
			og.Value = h.u.gravityWith(float64(b.OriginalGravity), float64(b.OriginalGravitySD)/1000)
		}
		out = append(out, og)
	}
	out = append(out, fact{"Ceiling", ceilingText(b.Ceiling), "by the rule " + string(ruleOf(b))})
	if t := targetOf(b); t != nil {
		out = append(out, fact{"Target gravity", h.u.gravity(*t), "where the ceiling is reached"})
	}
	if b.Volume > 0 {
		out = append(out, fact{"Volume", trim(float64(b.Volume)) + " L", ""})
	}
	if b.Yeast != "" {
		out = append(out, fact{"Yeast", string(b.Yeast), ""})
	}
	if b.Risk > 0 {
		out = append(out, fact{"Accepted risk", trim(math.Round(b.Risk*1000)/10) + " %", "of ending above the ceiling"})
	}
	return out
}

// lasted says a length of time to the hour.
func lasted(d time.Duration) string {
	h := int(math.Round(d.Hours()))
	if h < 96 {
		return strconv.Itoa(h) + " h"
	}
	return strconv.Itoa(h/24) + " days " + strconv.Itoa(h%24) + " h"
}

// packagedAs is the word for how a batch ended.
func packagedAs(h *history) string {
	for _, e := range slices.Backward(h.entries) {
		if e.Kind == journal.Packaged && !h.struck[e.Seq] {
			return told(e, h.u).Text
		}
	}
	return "Packaged"
}

// reportFigures are the last figures with their spread.
func reportFigures(h *history) []fact {
	var out []fact
	st, e := h.st, h.final()
	if e != nil {
		out = append(out, fact{"Gravity", h.u.gravityWith(e.Gravity, e.GravitySD), "estimate"},
			fact{"Alcohol", abv(e.ABV) + " ± " + abv(e.ABVSD) + " % ABV", "estimate by the rule " + string(ruleOf(st.About))})
		if limit := float64(st.About.Ceiling.Limit); limit > 0 {
			f := fact{"Allowance left", abv(limit-e.ABV) + " ± " + abv(e.ABVSD) + " % ABV", "ceiling less estimate"}
			if e.ABV > limit {
				f = fact{"Above the ceiling by", abv(e.ABV-limit) + " ± " + abv(e.ABVSD) + " % ABV", "estimate less ceiling"}
			}
			out = append(out, f)
		}
		if share, sd, ok := attenuation(st.About, e); ok {
			out = append(out, fact{"Apparent attenuation", tenth(share) + " ± " + tenth(sd) + " %", "estimate"})
		}
	}
	if st.PH != nil {
		out = append(out, fact{"pH", abv(st.PH.Value), "last, from " + st.PH.From})
	} else {
		out = append(out, fact{"pH", "not measured", ""})
	}
	return out
}

// sampleRows are the hand samples by their time.
func (s *Server) sampleRows(h *history) []sampleRow {
	var out []sampleRow
	for _, e := range h.entries {
		var m Sample
		if e.Kind != journal.SampleEntry || json.Unmarshal(e.Body, &m) != nil {
			continue // one that cannot be read stands among the events
		}
		row := sampleRow{When: s.onPaper(e.Time), Struck: h.struck[e.Seq], time: e.Time, gravity: m.Gravity}
		if m.Gravity != nil {
			row.Gravity, row.At = h.u.typedGravity(*m.Gravity), trim(h.u.temperatureIn(20))
		}
		if m.Temperature != nil {
			row.At = minus(tenth(h.u.temperatureIn(*m.Temperature)))
		}
		if m.Brix != nil {
			row.Brix = tenth(*m.Brix)
		}
		if m.PH != nil {
			row.PH = abv(*m.PH)
		}
		out = append(out, row)
	}
	slices.SortStableFunc(out, func(a, b sampleRow) int { return a.time.Compare(b.time) })
	return out
}

// eventRows are what was done and what was told, oldest first.
func (s *Server) eventRows(h *history) []eventRow {
	out := []eventRow{{When: s.onPaper(h.st.About.PitchedAt), Text: pitched(h.st, h.u), time: h.st.About.PitchedAt}}
	for _, e := range h.entries {
		var m Sample
		if e.Kind == journal.StruckEntry || e.Kind == journal.SampleEntry && json.Unmarshal(e.Body, &m) == nil {
			continue
		}
		text := told(e, h.u).Text
		if e.Kind == journal.SensorChanged {
			text = "Sensors from here on: " + exportText(e)
		}
		out = append(out, eventRow{When: s.onPaper(e.Time), Text: text, Struck: h.struck[e.Seq], time: e.Time})
	}
	for _, a := range h.alerts {
		text := "Alert: " + alert.ByDate(ownTitle(a, h.st.Batch), a.Raised, s.loc)
		if foundLate(a) {
			text += ", found out " + a.Recorded.In(s.loc).Format("2 Jan 15:04")
		}
		if a.Acknowledged != nil {
			text += ", answered " + a.Acknowledged.In(s.loc).Format("2 Jan 15:04")
		}
		out = append(out, eventRow{When: s.onPaper(a.Raised), Text: text, time: a.Raised})
	}
	slices.SortStableFunc(out, func(a, b eventRow) int { return a.time.Compare(b.time) })
	return out
}

// reportCautions belong to who reads the report: someone who serves this beer, or
// is about to package it.
func reportCautions(st *status) []string {
	all := gravity.Cautions(gravity.Serving)
	if st.Batch.Ended == nil {
		all = gravity.Cautions(gravity.Packaging)
	} else {
		all = append([]string{gravity.CautionPressure}, all...)
	}
	if words := acidWords(st.PH); words != "" {
		all = append([]string{words}, all...)
	}
	all = append(all, gravity.Cautions(gravity.Stating)...)
	var out []string
	for _, c := range all {
		if !slices.Contains(out, c) && (c != gravity.CautionAcid || st.PH != nil) {
			out = append(out, c)
		}
	}
	return out
}

// reportChart draws readings, estimate, samples and what was done over the time
// of day, with the temperature below.
func (s *Server) reportChart(h *history, width int, gravityHigh, warmthHigh float64) *chart {
	c := newChart(width, unix(h.win.from), unix(h.win.to))
	at := func(t float64) float64 { return t }
	seen := newExtent()
	h.gravities(&seen)
	lo, hi := seen.roomy(0.002, 1, 1.02)
	p := c.add("gravity, "+h.u.GravityUnit(), gravityHigh, lo, hi, h.u.gravityDigits(), h.u.gravityIn)
	for _, one := range h.gravity {
		p.dots("seen", one.Bins)
	}
	p.line("line", h.rising(func(e estimate) (float64, float64) { return e.Gravity, e.GravitySD }, at))
	if t := targetOf(h.st.About); t != nil {
		p.level("target", *t, "ceiling "+ceilingText(h.st.About.Ceiling)+" at "+h.u.gravity(*t), false)
	}
	for _, m := range h.samples {
		if m.gravity != nil && !m.Struck {
			p.diamond("sample", unix(m.time), *m.gravity)
		}
	}
	for _, a := range h.alerts {
		if t := unix(a.Raised); t >= c.x0 && t <= c.x1 {
			p.Flags = append(p.Flags, dot{p.x(t), p.Y})
		}
	}
	warm := newExtent()
	h.temperatures(&warm)
	lo, hi = warm.roomy(4, 0, 25)
	q := c.add("temperature, "+h.u.TemperatureUnit(), warmthHigh, lo, hi, 0, h.u.temperatureIn)
	for i, one := range h.temperature {
		q.line([]string{"line", "second", "third"}[i%3], warmth(one.Bins, at))
	}
	if t := h.st.Crashed; t != nil {
		p.rule("event", unix(*t), "crash")
		q.rule("event", unix(*t), "")
	}
	c.dates(s.loc)
	c.Label = "Gravity and temperature over time. " + strconv.Itoa(len(h.samples)) + " samples are in the table below."
	return c
}
