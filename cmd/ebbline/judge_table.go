package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"gonum.org/v1/gonum/stat"
)

func kindsOf(verdicts []verdict) (kinds []string) {
	for _, v := range verdicts {
		if !slices.Contains(kinds, v.kind) {
			kinds = append(kinds, v.kind)
		}
	}
	return kinds
}

func eachVerdict(out io.Writer, verdicts []verdict) {
	for _, v := range verdicts {
		fmt.Fprintf(out, "%s crosses=%t at %.1f h, alarm=%t at %.1f h, final %.3f, over=%t, unused %.3f, missed %.1f %.1f h, gravity %.2f points, held %.2f\n",
			v.label(), v.crosses, v.crossing, v.alarmed, v.alarm, v.final, v.over, v.unused, v.missed[0], v.missed[1], v.gravityRMS, float64(v.held)/float64(max(1, v.counted)))
	}
}

// table prints one line a kind, one for the kinds together, and those with and
// without hand samples.
func table(out io.Writer, verdicts []verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "kind\tn\tcross\tover\tunused\tsampled\tunsampled\tline over\tline unused\t24 h\t8 h\tin 24\tin 8\tgravity\tin sd\tfalse now\ts/replay\t")
	for _, k := range kindsOf(verdicts) {
		row(w, k, func(v verdict) bool { return v.kind == k }, verdicts)
	}
	row(w, "all", func(verdict) bool { return true }, verdicts)
	return w.Flush()
}

func row(w io.Writer, name string, take func(verdict) bool, verdicts []verdict) {
	var n, crossing, over, rest, falseNow, lineOver int
	var unused, lineUnused, rms, held, looks float64
	var by [2][]float64
	var missed [2][]float64
	var inside [2]int
	var took time.Duration
	for _, v := range verdicts {
		if !take(v) {
			continue
		}
		n++
		took += v.took
		rms += v.gravityRMS * v.gravityRMS
		held, looks = held+float64(v.held), looks+float64(v.counted)
		if !v.crosses {
			rest++
			falseNow += count(v.alarmed)
			continue
		}
		crossing++
		over += count(v.over)
		unused += v.unused
		by[count(v.sampled)] = append(by[count(v.sampled)], v.unused)
		lineOver += count(v.lineOver)
		lineUnused += v.lineUnused
		for k := range missed {
			if !math.IsNaN(v.missed[k]) {
				missed[k] = append(missed[k], v.missed[k])
				inside[k] += count(v.inside[k])
			}
		}
	}
	c := float64(max(1, crossing))
	share := func(a, b int) string {
		if b == 0 {
			return "-"
		}
		return fmt.Sprintf("%.1f%%", 100*float64(a)/float64(b))
	}
	fmt.Fprintf(w, "%s\t%d\t%d\t%s\t%.3f\t%.3f\t%.3f\t%s\t%.3f\t%.1f\t%.1f\t%s\t%s\t%.2f\t%.1f%%\t%s\t%.2f\t\n",
		name, n, crossing, share(over, crossing), unused/c, mean(by[1]), mean(by[0]), share(lineOver, crossing), lineUnused/c,
		median(missed[0]), median(missed[1]), share(inside[0], len(missed[0])), share(inside[1], len(missed[1])),
		math.Sqrt(rms/float64(max(1, n))), 100*held/max(1, looks), share(falseNow, rest), took.Seconds()/float64(max(1, n)))
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(max(1, len(v)))
}

// spreadOfNames prints how far crash-now moves when nothing but the random
// numbers of the belief differ: the error of its Monte Carlo.
func spreadOfNames(out io.Writer, verdicts []verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "capture\tnames\tcrash-now mean, h\tsd\tearliest\tlatest\tunused sd, % ABV\tnever\t")
	var spreads []float64
	for from := 0; from < len(verdicts); {
		of := verdicts[from:]
		if end := slices.IndexFunc(of, func(v verdict) bool { return v.name != of[0].name }); end > 0 {
			of = of[:end]
		}
		from += len(of)
		var at, unused []float64
		for _, v := range of {
			if v.alarmed {
				at, unused = append(at, v.alarm), append(unused, v.unused)
			}
		}
		if len(at) < 2 {
			fmt.Fprintf(w, "%s\t%d\t-\t-\t-\t-\t-\t%d\t\n", of[0].name, len(of), len(of)-len(at))
			continue
		}
		m, sd := stat.MeanStdDev(at, nil)
		spreads = append(spreads, sd)
		fmt.Fprintf(w, "%s\t%d\t%.1f\t%.1f\t%.1f\t%.1f\t%.3f\t%d\t\n",
			of[0].name, len(of), m, sd, slices.Min(at), slices.Max(at), stat.StdDev(unused, nil), len(of)-len(at))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "crash-now spreads over names by %.1f h at the median of captures, %.1f h at the mean\n", median(spreads), mean(spreads))
	return err
}
