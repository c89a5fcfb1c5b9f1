package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"

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

// eachVerdict prints one line a run.
func eachVerdict(out io.Writer, verdicts []verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "capture\tcrosses, h\tcrash-now, h\tends, % ABV\tunused\tthat is\t24 h\t8 h\tgravity\tin sd\t")
	number := func(format string, known bool, x float64) string {
		if !known || math.IsNaN(x) {
			return "-"
		}
		return fmt.Sprintf(format, x)
	}
	for _, v := range verdicts {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%.2f\t%.0f%%\t\n", v.label(),
			number("%.1f", v.crosses, v.crossing), number("%.1f", v.alarmed, v.alarm), number("%.3f", v.alarmed, v.final),
			number("%.3f", v.crosses && v.alarmed, v.unused), v.word(), number("%.1f", true, v.missed[0]), number("%.1f", true, v.missed[1]),
			v.gravityRMS, 100*float64(v.held)/float64(max(1, v.counted)))
	}
	return w.Flush()
}

// word is a verdict in a word.
func (v verdict) word() string {
	switch {
	case !v.crosses && v.alarmed:
		return "false"
	case !v.crosses:
		return "rests"
	case !v.alarmed:
		return "missed"
	case v.over:
		return "over"
	}
	return "holds"
}

// table prints one line a kind and one for the kinds together.
func table(out io.Writer, verdicts []verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "kind\tn\tcross\tover\tunused\tsampled\tunsampled\tline over\tline unused\t24 h\t8 h\tin 24\tin 8\tgravity\tin sd\tfalse now\ts/replay\t")
	for _, k := range kindsOf(verdicts) {
		row(w, k, slices.DeleteFunc(slices.Clone(verdicts), func(v verdict) bool { return v.kind != k }))
	}
	row(w, "all", verdicts)
	return w.Flush()
}

// row prints the figures of some verdicts; a dash where none bears on one.
func row(w io.Writer, name string, of []verdict) {
	crossing := slices.DeleteFunc(slices.Clone(of), func(v verdict) bool { return !v.crosses })
	resting := slices.DeleteFunc(slices.Clone(of), func(v verdict) bool { return v.crosses })
	unusedIf := func(sampled bool) string {
		return figure("%.3f", mean, crossing, func(v verdict) float64 { return unless(v.sampled != sampled, v.unused) })
	}
	var held, looks float64 // all looks count alike, whatever their batch
	for _, v := range of {
		held, looks = held+float64(v.held), looks+float64(v.counted)
	}
	fmt.Fprintf(w, "%s\t%d\t%d\t", name, len(of), len(crossing))
	for _, cell := range []string{
		figure("%.1f%%", mean, crossing, func(v verdict) float64 { return hundred(v.over) }),
		figure("%.3f", mean, crossing, func(v verdict) float64 { return v.unused }),
		unusedIf(true), unusedIf(false),
		figure("%.1f%%", mean, crossing, func(v verdict) float64 { return hundred(v.lineOver) }),
		figure("%.3f", mean, crossing, func(v verdict) float64 { return v.lineUnused }),
		figure("%.1f", median, crossing, func(v verdict) float64 { return v.missed[0] }),
		figure("%.1f", median, crossing, func(v verdict) float64 { return v.missed[1] }),
		figure("%.1f%%", mean, crossing, func(v verdict) float64 { return unless(math.IsNaN(v.missed[0]), hundred(v.inside[0])) }),
		figure("%.1f%%", mean, crossing, func(v verdict) float64 { return unless(math.IsNaN(v.missed[1]), hundred(v.inside[1])) }),
		figure("%.2f", rootMeanSquare, of, func(v verdict) float64 { return v.gravityRMS }),
		fmt.Sprintf("%.1f%%", 100*held/max(1, looks)),
		figure("%.1f%%", mean, resting, func(v verdict) float64 { return hundred(v.alarmed) }),
		figure("%.2f", mean, of, func(v verdict) float64 { return v.took.Seconds() }),
	} {
		fmt.Fprintf(w, "%s\t", cell)
	}
	fmt.Fprintln(w)
}

// figure is a figure of several verdicts; those for which it is not a number
// have no part in it.
func figure(format string, middle func([]float64) float64, of []verdict, value func(verdict) float64) string {
	var values []float64
	for _, v := range of {
		if x := value(v); !math.IsNaN(x) {
			values = append(values, x)
		}
	}
	if len(values) == 0 {
		return "-"
	}
	return fmt.Sprintf(format, middle(values))
}

func unless(not bool, x float64) float64 {
	if not {
		return math.NaN()
	}
	return x
}

func hundred(b bool) float64 { return 100 * float64(count(b)) }

func rootMeanSquare(v []float64) float64 {
	squares := make([]float64, len(v))
	for k, x := range v {
		squares[k] = x * x
	}
	return math.Sqrt(mean(squares))
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
		if end := slices.IndexFunc(of, func(v verdict) bool { return v.dir != of[0].dir }); end > 0 {
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
