package main

import (
	"fmt"
	"strings"

	"ebbline/projection/gravity"
)

// pageWidth is the width of a line of plain text, characters.
const pageWidth = 78

// hardSpace keeps a number and its unit on one line.
const hardSpace = "\u00a0"

// planPage gathers lines of plain text.
type planPage struct{ b strings.Builder }

func (w *planPage) head(s string) { fmt.Fprintf(&w.b, "\n%s\n", strings.ToUpper(s)) }

// para prints a paragraph, wrapped, behind a mark ("" or "- ").
func (w *planPage) para(mark, format string, args ...any) {
	indent := strings.Repeat(" ", len([]rune(mark)))
	line := mark
	text := strings.NewReplacer(" %", hardSpace+"%", " ABV", hardSpace+"ABV", " °", hardSpace+"°").Replace(fmt.Sprintf(format, args...))
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\n' }) {
		word = strings.ReplaceAll(word, hardSpace, " ")
		if len([]rune(line))+len([]rune(word)) >= pageWidth && strings.TrimSpace(line) != "" {
			w.b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = indent
		}
		line += word + " "
	}
	w.b.WriteString(strings.TrimRight(line, " ") + "\n")
}

// row prints a label and its value with a remark.
func (w *planPage) row(label, value, remark string) {
	w.b.WriteString(strings.TrimRight(fmt.Sprintf("  %-22s %-16s %s", label, value, remark), " ") + "\n")
}

// text is the plan as a page to read or print.
func (p *plan) text() string {
	w := &planPage{}
	r := p.request
	w.para("", "Plan: %s of wort at %s (%.1f °P), %s yeast. Ceiling: %s.",
		r.volumeText(r.volume), sg(p.OriginalGravity), p.OriginalPlato, r.yeast, limitText(r.ceiling))
	for _, warning := range p.Warnings {
		w.b.WriteString("\n")
		w.para("!! ", "%s", warning)
	}
	p.stopText(w)
	p.timeText(w)
	p.rulesText(w)
	p.acidText(w)
	p.packagingText(w)
	p.otherText(w)
	w.head("Take care")
	for _, c := range p.Cautions {
		w.para("- ", "%s", c)
	}
	return w.b.String()
}

func (p *plan) stopText(w *planPage) {
	w.head("Where to stop")
	target := p.Target[string(p.Rule)]
	w.para("", "Gravity falls as the yeast makes alcohol. One point is 0.001 of gravity, and here about 0.13 %% ABV.")
	w.row("Target gravity", sg(target), fmt.Sprintf("%.1f points down: at the ceiling", p.Drop[string(p.Rule)]))
	w.row("Margin", fmt.Sprintf("%.1f points", p.MarginPoints), fmt.Sprintf("for measuring errors, risk %s", percentText(p.Risk)))
	if p.StopAt == nil {
		w.row("Stop at", "none", "no room is left: see the warning")
		return
	}
	w.row("Stop at", sg(*p.StopAt), "come to rest here or higher")
	w.row("Start the crash at", sg(p.CrashAt.P50), "it falls on as it cools; see below")
}

func (p *plan) timeText(w *planPage) {
	w.head("When to act")
	r := p.request
	w.para("", "Cooling from %s to %s, with a time constant of %s. The yeast goes on working meanwhile. What to expect, in the middle case, and the span that holds in 8 of 10 cases:",
		r.degrees(r.temperature), r.degrees(r.crashTo), hoursText(r.timeConstant.Hours()))
	w.row("Falls while cooling", fmt.Sprintf("%.1f points", p.OverRun.P50), fmt.Sprintf("%.1f to %.1f", p.OverRun.P10, p.OverRun.P90))
	w.row("Start the crash", hoursText(p.Lead.P50)+" ahead", fmt.Sprintf("%.0f to %.0f hours before \"stop at\"", p.Lead.P10, p.Lead.P90))
	if p.CrashAt != nil {
		w.row("That is at a gravity", sg(p.CrashAt.P50), fmt.Sprintf("%s to %s if yeast is quick", sg(p.CrashAt.P10), sg(p.CrashAt.P90)))
		w.row("That is after pitching", fmt.Sprintf("%.1f days", p.DaysToCrash.P50), fmt.Sprintf("%.1f to %.1f", p.DaysToCrash.P10, p.DaysToCrash.P90))
	}
	w.row("Left alone, at ceiling", fmt.Sprintf("%.1f days", p.DaysToTarget.P50), fmt.Sprintf("%.1f to %.1f after pitching", p.DaysToTarget.P10, p.DaysToTarget.P90))
	w.para("", "These are guesses before brew day, without the time you need to get there. Once the batch runs, the daemon (ebbline serve) watches it and says when to start; without it, go by the quick yeast.")
	if m := p.Maltose; m != nil {
		w.para("", "Yeast that takes no maltose comes to rest on its own: in this wort at about %.2f to %.2f %% ABV, if 10 to 12 %% of the extract is simple sugar (a span of trade analyses; your mash may differ). At an original gravity of up to %s it rests below the ceiling without a crash.",
			m.CapLow, m.CapHigh, sg(m.HighestO))
	}
}

func (p *plan) rulesText(w *planPage) {
	w.head("The rules side by side")
	w.para("", "Several rules turn gravities into alcohol. They differ by what matters here; cautious takes the strictest. The first figure is each rule's target gravity.")
	for _, rule := range gravity.Rules() {
		name := string(rule)
		remark := fmt.Sprintf("%.2f points down", p.Drop[name])
		if p.StopAt != nil {
			remark += fmt.Sprintf("; %.2f %% at the stop", float64(rule.ABV(p.request.og, gravity.SG(*p.StopAt))))
		}
		if rule == p.Rule {
			name += " (this plan)"
		}
		w.row(name, sg(p.Target[string(rule)]), remark)
	}
}

func (p *plan) acidText(w *planPage) {
	w.head("pH")
	w.row("Wort, before pitching", fmt.Sprintf("%.1f or below", p.PH.WortAtMost), "by food acid; common practice")
	w.row("Beer, before packaging", fmt.Sprintf("below %.1f", p.PH.FinalBelow), "common practice")
	w.row("Above", fmt.Sprintf("%.1f", p.PH.NoGrowth), fmt.Sprintf("germs may grow; at %.1f they did (*)", p.PH.Growth))
	w.row("Above", fmt.Sprintf("%.1f", p.PH.UnsafeAbove), "unsafe unless pasteurised (**)")
	w.para("", "(*) Menz et al., J. Food Prot. 74 (2011) 1670. (**) 21 CFR 114.3. Only a measurement tells; gravity says nothing of pH.")
}

func (p *plan) packagingText(w *planPage) {
	r, k := p.request, p.Packaging
	w.head("Packaging: " + k.Way)
	if r.bottle {
		w.para("", "The beer holds about %.1f volumes of CO2 from fermentation. To reach %.1f it is primed with %s of %s. The yeast that eats it will not leave the beer's own sugar alone: only for beer that has none left it can eat, or that someone licensed pasteurises.",
			k.Residual, k.CO2Volumes, r.mass(k.SugarGrams), strings.ReplaceAll(string(k.SugarKind), "_", " "))
	} else {
		w.para("", "%.1f volumes of CO2 from a gas bottle need %s of gauge pressure at %s, and add no alcohol.", k.CO2Volumes, r.pressure(k.Pressure), r.degrees(gravity.Celsius(k.PressureAt)))
	}
	if k.AddedABV > 0 {
		w.para("", "What is added after the stop brings %.2f %% ABV. That must come out of the ceiling:", k.AddedABV)
		if k.StopAt != nil {
			w.row("Then stop at", sg(*k.StopAt), fmt.Sprintf("instead of %s", sg(*p.StopAt)))
		} else {
			w.row("Then stop at", "none", "no room is left: see the warning")
		}
	}
	w.para("", "If the closed beer warms to %s and ferments again, the gauge rises to (headspace %d %% of the beer, no gas let off):", r.degrees(gravity.Celsius(k.RefermentsAt)), int(usualHeadspace*100))
	for _, o := range k.Referment {
		w.row(fmt.Sprintf("%.0f further point%s", o.Points, pluralOf(o.Points)), r.pressure(o.Pressure), fmt.Sprintf("and %.2f %% ABV more", o.ABV))
	}
}

func (p *plan) otherText(w *planPage) {
	if d := p.Rescue; d != nil {
		w.head("If it passes the ceiling")
		w.para("", "At %.2f %% ABV, %s of water (boiled and cooled) bring it back to %g %%, at %.0f %% of its bitterness and a gravity of %s. Water takes acid away too: measure the pH again.",
			d.FromABV, p.request.volumeText(gravity.Litres(d.WaterLitres)), float64(p.request.ceiling.Limit), d.Factor*100, sg(d.SG))
	}
	w.head("More body at the same ceiling")
	w.para("", "A stronger wort, stopped after the same small drop, keeps more extract (°P of what is dissolved). If yeast can eat it, it is also more fuel for bursting: mash for sugars it cannot.")
	w.row("Original gravity", "Stop at", "Extract left")
	for _, b := range p.MoreBody {
		stop := "none"
		if b.StopAt != nil {
			stop = sg(*b.StopAt)
		}
		w.row(sg(b.OriginalGravity), stop, fmt.Sprintf("%.1f °P", b.RealExtract))
	}
}

// ceilingsText lists the table of ceilings.
func ceilingsText(all []gravity.LegalCeiling) string {
	w := &planPage{}
	w.para("", "Ceilings of laws and trades, as orientation. %s %s", gravity.CautionLaw, gravity.CautionEstimate)
	w.para("", "VERIFIED: seen in a copy of the named text. SECONDARY: seen in press or guidance that reports the rule. MEMORY: recalled, so look it up.")
	place, source := "", ""
	for _, c := range all {
		if c.Place != place {
			place = c.Place
			w.head(place)
		}
		if c.Source != "same" { // as the row above
			source = c.Source
		}
		w.para("- ", "%s: %s. Source: %s. %s.", c.Term, legalLimit(c), source, c.Certainty)
	}
	return w.b.String()
}

// legalLimit is a limit with its comparison, either of which may be missing.
func legalLimit(c gravity.LegalCeiling) string {
	switch {
	case c.Limit == "":
		return c.Comparison
	case c.Comparison == "":
		return c.Limit + " % ABV"
	}
	return c.Limit + " % ABV (" + c.Comparison + ")"
}
