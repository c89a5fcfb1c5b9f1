package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// JudgeCmd runs captures with known truth and prints how the decisions would
// have turned out.
type JudgeCmd struct {
	Dir     string  `arg:"" type:"existingdir" help:"Folder of captures, each with batch.yaml, capture.jsonl.gz, truth.csv.gz."`
	Risk    float64 `help:"Accepted risk in place of each batch's own."`
	Only    string  `help:"Only captures whose name contains this."`
	Workers int     `default:"0" help:"How many at a time; 0: one a core."`
	Each    bool    `help:"One line a capture too."`
}

// Help says what the table holds.
func (JudgeCmd) Help() string {
	return `over: share of crossing batches whose crash, started half an hour after crash-now, ends above the ceiling.
unused: mean % ABV left below the ceiling. line: the same for a straight line through 12 h with a lead of 10 h.

Example:
  ebbline judge testdata/captures`
}

// Run prints the table of the captures' README, per kind and over all.
func (c *JudgeCmd) Run(out io.Writer) error {
	dirs, err := c.captures()
	if err != nil {
		return err
	}
	verdicts := make([]verdict, len(dirs))
	errs := make([]error, len(dirs))
	workers := c.Workers
	if workers <= 0 {
		workers = runtime.NumCPU()
	}
	var wait sync.WaitGroup
	next := make(chan int)
	for range workers {
		wait.Go(func() {
			for k := range next {
				verdicts[k], errs[k] = c.one(dirs[k])
			}
		})
	}
	for k := range dirs {
		next <- k
	}
	close(next)
	wait.Wait()
	for k, err := range errs {
		if err != nil {
			return fmt.Errorf("judging %s: %w", dirs[k], err)
		}
	}
	if c.Each {
		eachVerdict(out, verdicts)
	}
	return table(out, verdicts)
}

func (c *JudgeCmd) one(dir string) (verdict, error) {
	name := filepath.Base(dir)
	kind := name
	if k := strings.LastIndex(name, "-"); k > 0 {
		kind = name[:k]
	}
	j, err := loadJudged(dir, kind)
	if err != nil {
		return verdict{}, err
	}
	if c.Risk > 0 {
		j.file.Batch.Risk = c.Risk
	}
	return judgeOne(j)
}

func (c *JudgeCmd) captures() ([]string, error) {
	found, err := filepath.Glob(filepath.Join(c.Dir, "*", "truth.csv.gz"))
	if err != nil {
		return nil, err
	}
	var dirs []string
	for _, f := range found {
		if d := filepath.Dir(f); strings.Contains(filepath.Base(d), c.Only) {
			dirs = append(dirs, d)
		}
	}
	if len(dirs) == 0 {
		return nil, fmt.Errorf("no captures with truth.csv.gz below %s: %w", c.Dir, os.ErrNotExist)
	}
	return dirs, nil
}

func eachVerdict(out io.Writer, verdicts []verdict) {
	for _, v := range verdicts {
		fmt.Fprintf(out, "%s crosses=%t at %.1f h, alarm=%t at %.1f h, final %.3f, over=%t, unused %.3f, missed %.1f %.1f h, gravity %.2f points, held %.2f\n",
			v.name, v.crosses, v.crossing, v.alarmed, v.alarm, v.final, v.over, v.unused, v.missed[0], v.missed[1], v.gravityRMS, float64(v.held)/float64(max(1, v.looks)))
	}
}

// table prints one line a kind, one for the kinds together, and those with and
// without hand samples.
func table(out io.Writer, verdicts []verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "kind\tn\tcross\tover\tunused\tsampled\tunsampled\tline over\tline unused\t24 h\t8 h\tin 24\tin 8\tgravity\tin sd\tfalse now\ts/replay\t")
	var kinds []string
	for _, v := range verdicts {
		if !slices.Contains(kinds, v.kind) {
			kinds = append(kinds, v.kind)
		}
	}
	for _, k := range kinds {
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
		held, looks = held+float64(v.held), looks+float64(v.looks)
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
