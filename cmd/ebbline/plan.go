package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// PlanCmd is the arithmetic before brew day: where to stop, when to start the
// crash, what packaging does to the ceiling.
type PlanCmd struct {
	OG           string        `name:"og" placeholder:"GRAVITY" help:"Original gravity: 1.0155, \"4 plato\" or \"4 brix\"."`
	Ceiling      string        `placeholder:"ABV" help:"Highest strength, % ABV: 0.5 for not more than, \"< 0.5\" for less than."`
	Rule         string        `default:"balling" help:"Rule that turns gravities into alcohol: balling, hmrc, linear, nonlinear or cautious (the highest of them)."`
	Volume       string        `default:"19 L" help:"Volume of the batch: \"19 L\", \"5 gal\"."`
	Yeast        string        `default:"standard" help:"Yeast: standard or maltose-negative."`
	Temperature  string        `default:"20 Cel" help:"Temperature of fermentation: \"20 Cel\", \"68 degF\"."`
	CrashTo      string        `default:"2 Cel" help:"Temperature that the crash cools to."`
	TimeConstant time.Duration `default:"6h" help:"Time constant of cooling: in this time 63 % of the way is done. 5h to 10h in a refrigerator, 2h30m to 5h with a fan, 30m to 3h with glycol."`
	Risk         float64       `default:"0.05" help:"Accepted probability of ending above the ceiling."`
	Package      string        `default:"keg" help:"How it will be packaged: keg (carbonated by gas) or bottle (primed with sugar)."`
	Carbonation  float64       `default:"2.4" help:"CO2 wanted, in volumes."`
	Sugar        string        `default:"sucrose" help:"Sugar for priming: sucrose, glucose, glucose_monohydrate, maltose or maltotriose."`
	Addition     string        `placeholder:"VOLUME" help:"What is added after the stop, a tincture for one: \"50 mL\"."`
	Strength     float64       `placeholder:"ABV" help:"Strength of the addition, % ABV."`
	OGSD         float64       `name:"og-sd" default:"0.4" help:"Standard deviation of the original gravity, points."`
	FloatSD      float64       `name:"float-sd" default:"1" help:"What is left of the float's error at the stop, points; 0 for no float."`
	SampleSD     float64       `name:"sample-sd" default:"0.5" help:"Standard deviation of the last sample by hand, points; 0 for no sample."`
	Units        string        `default:"metric" help:"Units to print: metric or us."`
	JSON         bool          `name:"json" help:"Print one JSON object."`
	Ceilings     bool          `help:"List ceilings of laws and trades, as orientation, and end."`
}

// Help is the long help with an example.
func (PlanCmd) Help() string {
	return `Prints where the beer must come to rest, how far ahead the crash must start, how many days
that takes, what packaging adds, and the cautions that belong to it.

Examples:
  ebbline plan --og 1.0155 --ceiling 0.5 --volume "19 L" --time-constant 6h
  ebbline plan --og "4 plato" --ceiling "< 0.5" --rule cautious --package bottle --json
  ebbline plan --ceilings`
}

// Run prints the plan on out. Every fault of the flags is a usageError.
func (c *PlanCmd) Run(out io.Writer) error {
	if c.Ceilings {
		return c.list(out)
	}
	r, err := c.request()
	if err != nil {
		return usageError{fmt.Errorf("plan: %w", err)}
	}
	p, err := newPlan(r)
	if err != nil {
		return usageError{fmt.Errorf("plan: %w", err)}
	}
	if c.JSON {
		return writeJSON(out, p)
	}
	if _, err := io.WriteString(out, p.text()); err != nil {
		return fmt.Errorf("writing the plan: %w", err)
	}
	return nil
}

func writeJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("writing the plan: %w", err)
	}
	return nil
}

// list prints the table of ceilings.
func (c *PlanCmd) list(out io.Writer) error {
	all, err := gravity.LegalCeilings()
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out, struct {
			Ceilings []gravity.LegalCeiling `json:"ceilings"`
			Cautions []string               `json:"cautions"`
		}{all, gravity.Cautions(gravity.Stating)})
	}
	if _, err := io.WriteString(out, ceilingsText(all)); err != nil {
		return fmt.Errorf("writing the ceilings: %w", err)
	}
	return nil
}

// planRequest is what was asked, checked one by one.
type planRequest struct {
	og           gravity.SG
	ceiling      gravity.Ceiling
	rule         gravity.Rule
	volume       gravity.Litres
	yeast        projection.Yeast
	temperature  gravity.Celsius
	crashTo      gravity.Celsius
	timeConstant time.Duration
	risk         float64
	bottle       bool
	carbonation  gravity.Volumes
	sugar        gravity.Sugar
	addition     gravity.Litres
	strength     gravity.ABV
	errors       gravity.Errors
	us           bool
}

// request reads the flags; it tells all that is wrong with them at once.
func (c *PlanCmd) request() (planRequest, error) {
	var faults []error
	fault := func(flag string, err error) {
		if err != nil {
			faults = append(faults, fmt.Errorf("--%s: %w", flag, err))
		}
	}
	check := func(flag string, good bool, says string, args ...any) {
		if !good {
			fault(flag, fmt.Errorf(says, args...))
		}
	}
	r := planRequest{
		timeConstant: c.TimeConstant, risk: c.Risk, bottle: c.Package == "bottle", us: c.Units == "us",
		yeast: projection.Yeast(c.Yeast), carbonation: gravity.Volumes(c.Carbonation), strength: gravity.ABV(c.Strength),
		errors: gravity.Errors{OriginalGravity: gravity.Points(c.OGSD), Float: gravity.Points(c.FloatSD), Sample: gravity.Points(c.SampleSD)},
	}
	var err error
	if c.OG == "" {
		fault("og", errors.New("missing; give the original gravity, like --og 1.0155 or --og \"4 plato\""))
	} else {
		r.og, err = config.ParseGravity(c.OG)
		fault("og", err)
		check("og", err != nil || r.og > 1, "%s is not above 1.000: that is water or lighter, not wort; give the gravity before fermentation, like 1.0155", c.OG)
	}
	if c.Ceiling == "" {
		fault("ceiling", errors.New("missing; give the highest strength in % ABV, like --ceiling 0.5; --ceilings lists some"))
	} else {
		r.ceiling, err = gravity.ParseCeiling(c.Ceiling)
		fault("ceiling", err)
		check("ceiling", err != nil || r.ceiling.Limit > 0, "0 allows no fermentation at all, so there is no stop to plan")
	}
	r.rule, err = gravity.ParseRule(c.Rule)
	fault("rule", err)
	r.volume, err = gravity.ParseVolume(c.Volume)
	fault("volume", err)
	r.sugar, err = gravity.ParseSugar(c.Sugar)
	fault("sugar", err)
	r.temperature, err = gravity.ParseTemperature(c.Temperature)
	fault("temperature", err)
	check("temperature", err != nil || r.temperature >= 4 && r.temperature <= 40, "%s; beer yeast works at 4 to 40 Cel", c.Temperature)
	r.crashTo, err = gravity.ParseTemperature(c.CrashTo)
	fault("crash-to", err)
	check("crash-to", err != nil || r.crashTo >= -5 && r.crashTo < r.temperature, "%s; a crash cools, to -5 Cel at least, from the temperature of %s", c.CrashTo, c.Temperature)
	check("time-constant", c.TimeConstant > 0 && c.TimeConstant <= 72*time.Hour, "%s; allowed is above 0 to 72h", config.Span(c.TimeConstant))
	check("risk", c.Risk > 0 && c.Risk < 1, "%g; allowed is above 0 and below 1, like 0.05 for one in twenty", c.Risk)
	check("carbonation", c.Carbonation >= 0 && c.Carbonation <= 6, "%g volumes; allowed is 0 to 6", c.Carbonation)
	check("yeast", r.yeast == projection.StandardYeast || r.yeast == projection.MaltoseNegative, "%q is not known; standard or maltose-negative", c.Yeast)
	check("package", r.bottle || c.Package == "keg", "%q is not known; keg or bottle", c.Package)
	check("units", r.us || c.Units == "metric", "%q is not known; metric or us", c.Units)
	check("strength", c.Strength >= 0 && c.Strength <= 100, "%g %% ABV; allowed is 0 to 100", c.Strength)
	check("strength", (c.Strength > 0) == (c.Addition != ""), "--addition and --strength belong together, like --addition \"50 mL\" --strength 40")
	if c.Addition != "" {
		r.addition, err = gravity.ParseVolume(c.Addition)
		fault("addition", err)
	}
	_, err = r.errors.Drop()
	fault("og-sd, --float-sd, --sample-sd", err)
	return r, oneLine(faults)
}

// oneLine joins faults into a single line; nil for none.
func oneLine(faults []error) error {
	var all error
	for _, f := range faults {
		if all == nil {
			all = f
			continue
		}
		all = fmt.Errorf("%w; %w", all, f)
	}
	return all
}
