package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
)

// JudgeCmd runs captures with known truth and prints how the decisions would
// have turned out.
type JudgeCmd struct {
	Dirs        []string  `arg:"" name:"dir" type:"existingdir" help:"Folders of captures, each capture with batch.yaml, capture.jsonl.gz, truth.csv.gz; judged as one."`
	Risk        []float64 `placeholder:"RISK" help:"Accepted risks in place of each batch's own; one table each."`
	Only        string    `help:"Only captures whose name contains this."`
	Jobs        int       `default:"0" help:"How many at a time; 0: one a core."`
	DailySample bool      `help:"Give every capture without hand samples one a day, drawn from the truth."`
	Each        bool      `help:"One line a capture too."`
	Worst       bool      `help:"One line for the worst capture of each kind too; pictures of these only."`
	Names       int       `placeholder:"N" help:"Judge each capture under N other identities too, which draw other random numbers, and print how far crash-now spreads."`
	Pictures    string    `type:"path" placeholder:"FOLDER" help:"Draw belief against truth, one PNG a capture."`
	CSV         string    `name:"csv" type:"path" placeholder:"FOLDER" help:"Write belief beside truth, one row a look, one file a capture."`
}

// Help says what the table holds.
func (JudgeCmd) Help() string {
	return `over: share of crossing batches whose crash, started half an hour after crash-now, ends above the ceiling.
unused: mean % ABV left below the ceiling. line: the same for a straight line through 12 h with a lead of 10 h.
s/replay: seconds of one job for one capture.

Examples:
  ebbline judge testdata/captures
  ebbline judge --risk 0.01,0.05,0.20 --daily-sample testdata/captures
  ebbline judge --worst --pictures pictures testdata/captures
  ebbline judge --only plain --names 5 testdata/captures`
}

// trial is one run of one capture.
type trial struct {
	dir      string
	risk     float64 // 0: the batch's own
	identity int
}

// Run prints the table of the captures' README, per kind and over all, for each
// risk that was asked for.
func (c *JudgeCmd) Run(out io.Writer) error {
	dirs, err := c.captures()
	if err != nil {
		return err
	}
	risks := c.Risk
	if len(risks) == 0 {
		risks = []float64{0}
	}
	for _, risk := range risks {
		if risk < 0 || risk >= 1 {
			return usageError{fmt.Errorf("--risk %g: a risk lies between 0 and 1", risk)}
		}
		if risk > 0 {
			fmt.Fprintf(out, "accepted risk %g\n", risk)
		}
		if err := c.atRisk(out, dirs, risk); err != nil {
			return err
		}
	}
	return nil
}

// atRisk judges all captures at one accepted risk.
func (c *JudgeCmd) atRisk(out io.Writer, dirs []string, risk float64) error {
	began := time.Now()
	var trials []trial
	for _, dir := range dirs {
		for identity := range c.Names + 1 {
			trials = append(trials, trial{dir, risk, identity})
		}
	}
	verdicts := make([]verdict, len(trials))
	if err := c.parallel(len(trials), func(k int) (err error) {
		verdicts[k], err = c.one(trials[k])
		return err
	}); err != nil {
		return err
	}
	worst := worstOfKinds(verdicts)
	if c.Each {
		if err := eachVerdict(out, verdicts); err != nil {
			return err
		}
	}
	if c.Worst {
		fmt.Fprintln(out, "the worst of each kind")
		if err := eachVerdict(out, worst); err != nil {
			return err
		}
	}
	if c.Names > 0 {
		if err := spreadOfNames(out, verdicts); err != nil {
			return err
		}
	}
	if err := table(out, verdicts); err != nil {
		return err
	}
	fmt.Fprintf(out, "%d replays in %.1f s\n", len(trials), time.Since(began).Seconds())
	if c.Worst {
		verdicts = worst
	}
	return c.draw(verdicts, risk)
}

// parallel does n things, some at a time, and gives the first error.
func (c *JudgeCmd) parallel(n int, do func(k int) error) error {
	var work errgroup.Group
	work.SetLimit(cmp.Or(max(0, c.Jobs), runtime.NumCPU()))
	for k := range n {
		work.Go(func() error { return do(k) })
	}
	return work.Wait()
}

func (c *JudgeCmd) one(t trial) (verdict, error) {
	j, err := c.load(t.dir, t.risk)
	if err != nil {
		return verdict{}, fmt.Errorf("judging %s: %w", t.dir, err)
	}
	if t.identity > 0 {
		j.file.Batch.ID = fmt.Sprintf("%s-%d", j.file.Batch.ID, t.identity)
	}
	v, err := judgeOne(j)
	if err != nil {
		return verdict{}, fmt.Errorf("judging %s: %w", t.dir, err)
	}
	v.dir, v.identity = t.dir, t.identity
	if len(c.Dirs) > 1 {
		v.name = filepath.Base(filepath.Dir(t.dir)) + "." + v.name
	}
	if c.CSV != "" {
		return v, c.save(c.CSV, v.file(t.risk, "csv"), func(path string) error { return saveLooks(path, j, v) })
	}
	return v, nil
}

// load reads a capture and changes it as the command asks.
func (c *JudgeCmd) load(dir string, risk float64) (*judged, error) {
	kind := filepath.Base(dir)
	if k := strings.LastIndex(kind, "-"); k > 0 {
		kind = kind[:k]
	}
	j, err := loadJudged(dir, kind)
	if err != nil {
		return nil, err
	}
	if risk > 0 {
		j.file.Batch.Risk = risk
	}
	if c.DailySample {
		j.dailySamples()
	}
	return j, nil
}

// draw makes the pictures, if any were asked for.
func (c *JudgeCmd) draw(verdicts []verdict, risk float64) error {
	if c.Pictures == "" {
		return nil
	}
	return c.parallel(len(verdicts), func(k int) error {
		v := verdicts[k]
		j, err := c.load(v.dir, risk)
		if err != nil {
			return err
		}
		return c.save(c.Pictures, v.file(risk, "png"), func(path string) error { return picture(path, j, v) })
	})
}

// save makes the folder and writes a file into it.
func (c *JudgeCmd) save(folder, name string, write func(path string) error) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("making a folder for %s: %w", name, err)
	}
	return write(filepath.Join(folder, name))
}

func (c *JudgeCmd) captures() (dirs []string, err error) {
	for _, folder := range c.Dirs {
		found, err := filepath.Glob(filepath.Join(folder, "*", "truth.csv.gz"))
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			if d := filepath.Dir(f); strings.Contains(filepath.Base(d), c.Only) {
				dirs = append(dirs, d)
			}
		}
	}
	if len(dirs) == 0 {
		return nil, errors.Join(fmt.Errorf("no captures with truth.csv.gz below %s", strings.Join(c.Dirs, ", ")), os.ErrNotExist)
	}
	return dirs, nil
}

// worstOfKinds are, for each kind, the batch that ends furthest above its
// ceiling, or else leaves most unused.
func worstOfKinds(verdicts []verdict) (worst []verdict) {
	for _, kind := range kindsOf(verdicts) {
		of := slices.DeleteFunc(slices.Clone(verdicts), func(v verdict) bool { return v.kind != kind })
		worst = append(worst, slices.MaxFunc(of, func(a, b verdict) int { return cmp.Compare(a.harm(), b.harm()) }))
	}
	return worst
}

// harm orders verdicts from good to bad, % ABV left unused but for those that
// end above. A crash of beer that never crosses counts a tenth more: it was
// ordered for nothing.
func (v verdict) harm() float64 {
	const above, nothing = 100, 0.1
	switch {
	case !v.crosses && !v.alarmed:
		return 0
	case !v.crosses:
		return nothing + v.unused
	case !v.alarmed:
		return 2 * above
	case v.over:
		return above + v.final
	}
	return v.unused
}
