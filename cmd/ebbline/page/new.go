package page

import (
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// newBatch is the form for a batch that was pitched.
type newBatch struct {
	sheet
	Choices  []sensorChoice
	Rules    []choice
	Plan     *planView
	Cautions []string
}

func (s *Server) getNew(w http.ResponseWriter, r *http.Request) {
	f := sheet{Key: secret(12), Units: s.unitsOf(r), Values: map[string]string{
		"time": s.opts.Now().In(s.loc).Format(localTime), "ceiling": "0.5", "volume": "19", "yeast": string(projection.StandardYeast),
		"risk": "5", "response": "30", "time_constant": "5",
	}}
	f.Values["crash_to"], f.Values["beer"] = f.Units.typedTemperature(2), f.Units.typedTemperature(20)
	s.showNew(w, r, http.StatusOK, f, nil)
}

func (s *Server) showNew(w http.ResponseWriter, r *http.Request, code int, f sheet, plan *planView) {
	p := newBatch{sheet: f, Plan: plan, Cautions: gravity.Cautions(gravity.Pitching)}
	var err error
	if p.Choices, err = s.sensorChoices(r, journal.Batch{}, f.Values); err != nil {
		s.fail(w, r, err)
		return
	}
	for _, rule := range gravity.Rules() {
		name := string(rule)
		p.Rules = append(p.Rules, choice{name, name, f.Is("rule", name)})
	}
	s.show(w, r, code, "new", frame{Title: "New batch", Here: "batches", Script: "forms.js", Body: p})
}

// typedBatch is a batch as it was typed in.
type typedBatch struct {
	name           string
	plan           PlanRequest
	at             time.Time
	response       time.Duration
	sensors        []string
	og, ceiling, v bool // were given
}

// readNew reads the form. What plan needs is read first, so that a sum can be
// shown before everything is there.
func (s *Server) readNew(in *input) typedBatch {
	p := typedBatch{plan: PlanRequest{Ceiling: gravity.Ceiling{Strict: in.text("comparison") == "under"}}}
	if g := in.gravity("original_gravity"); g != nil {
		if p.og = *g > 1.001; p.og {
			p.plan.OriginalGravity = gravity.SG(*g)
		} else {
			in.fault("original_gravity", "That is water or lighter, not wort. Enter the gravity before fermentation.")
		}
	}
	if c := in.within("ceiling", 0, 20, "% ABV", "0.5 or 0,5"); c != nil {
		if p.ceiling = *c > 0; p.ceiling {
			p.plan.Ceiling.Limit = gravity.ABV(*c)
		} else {
			in.fault("ceiling", "Nought is passed with the first sugar that ferments. Enter more than 0 %% ABV.")
		}
	}
	if v := in.within("volume", 0, 100000, in.oneOf("volume_unit", "Choose L or gal.", "L", "gal"), "19 or 5,5"); v != nil {
		if p.v = *v > 0; p.v {
			p.plan.Volume, _ = gravity.ParseVolume(trim(*v) + " " + in.oneOf("volume_unit", "", "L", "gal")) // both are checked
		} else {
			in.fault("volume", "Enter how much beer it is, more than 0.")
		}
	}
	var rules []string
	for _, rule := range gravity.Rules() {
		rules = append(rules, string(rule))
	}
	i := slices.Index(rules, string(gravity.Balling))
	rules[0], rules[i] = rules[i], rules[0] // the usual one if nothing was chosen
	p.plan.Rule = gravity.Rule(in.oneOf("rule", "Choose one of the rules.", rules...))
	p.plan.Yeast = projection.Yeast(in.oneOf("yeast", "Choose one of the two.", string(projection.StandardYeast), string(projection.MaltoseNegative)))
	p.plan.Temperature, p.plan.CrashTo = 20, 2
	if t := in.celsius("beer", 4, 40); t != nil {
		p.plan.Temperature = gravity.Celsius(*t)
	}
	if t := in.celsius("crash_to", -5, 20); t != nil {
		p.plan.CrashTo = gravity.Celsius(*t)
	}
	if p.plan.CrashTo >= p.plan.Temperature {
		in.fault("crash_to", "A crash cools: this is not below the temperature of the beer.")
	}
	p.plan.TimeConstant, p.plan.Risk, p.response = 5*time.Hour, 0.05, 30*time.Minute
	if h := in.within("time_constant", 0.1, 72, "hours", "5 or 2,5"); h != nil {
		p.plan.TimeConstant = time.Duration(*h * float64(time.Hour)).Round(time.Minute)
	}
	if x := in.within("risk", 0.1, 50, "%", "5 or 2,5"); x != nil {
		p.plan.Risk = *x / 100
	}
	if m := in.within("response", 0, 1440, "minutes", "30"); m != nil {
		p.response = time.Duration(*m * float64(time.Minute)).Round(time.Second)
	}
	return p
}

// postNew starts the batch, or says beside the fields what plan would say.
func (s *Server) postNew(w http.ResponseWriter, r *http.Request) {
	in, ok := s.readInput(w, r, time.Time{})
	if !ok {
		return
	}
	p := s.readNew(in)
	if in.text("do") == "plan" || in.took {
		view := s.planned(in, p)
		s.showNew(w, r, http.StatusOK, in.sheet(), view)
		return
	}
	p.name, p.at = in.text("name"), in.time("time")
	id, err := s.startTyped(r, in, p)
	s.settle(w, r, in, err, "/batch/"+escapePath(id)+"?done=started", func() {
		s.showNew(w, r, http.StatusUnprocessableEntity, in.sheet(), s.planned(in, p))
	})
}

// startTyped starts the batch if all is there; in says what is not.
func (s *Server) startTyped(r *http.Request, in *input, p typedBatch) (string, error) {
	in.need("name", "Give the batch a name that you will know it by.")
	in.need("original_gravity", "Enter the gravity of the wort as it was measured at pitch.")
	in.need("ceiling", "Enter the highest strength the beer may have, % ABV.")
	in.need("volume", "Enter how much beer it is.")
	if len([]rune(p.name)) > 100 {
		in.fault("name", "That is too long: 100 characters at most.")
	}
	p.sensors = in.form["sensor"]
	free, err := s.freeSensors(r, journal.Batch{})
	if err != nil {
		return "", err
	}
	for _, n := range p.sensors {
		if !slices.ContainsFunc(free, func(c sensorChoice) bool { return c.Name == n }) {
			in.fault("sensor", "%q is not a sensor that is free. Choose among these.", n)
		}
	}
	if !in.good() {
		return "", nil
	}
	id, err := s.already(r, in, p)
	if err != nil || id != "" || !in.good() {
		return id, err
	}
	if s.ask(in, p); !in.good() {
		return "", nil
	}
	raw, err := p.file()
	if err != nil {
		return "", err
	}
	return s.opts.Actions.StartBatch(r.Context(), raw)
}

// already is the batch that the same form has started before, sent twice. Another
// of the same name and day would be taken for it, so it is refused.
func (s *Server) already(r *http.Request, in *input, p typedBatch) (string, error) {
	all, err := s.opts.Journal.Batches(r.Context())
	if err != nil {
		return "", err
	}
	for _, b := range all {
		if b.Name != p.name {
			continue
		}
		if b.Started.Sub(p.at).Abs() < 2*time.Minute {
			return b.ID, nil
		}
		if b.Ended == nil || dayNumber(b.Started.UTC()) == dayNumber(p.at.UTC()) {
			in.fault("name", "There is a batch of this name already, typedBatch %s. Give this one another.", clock(b.Started, in.now, in.loc))
		}
	}
	return "", nil
}

// file is the batch as a batch file, contract §5; JSON is YAML too.
func (p typedBatch) file() ([]byte, error) {
	if p.sensors == nil {
		p.sensors = []string{}
	}
	type crash struct {
		To           string `json:"to"`
		TimeConstant string `json:"time_constant"`
	}
	return json.Marshal(map[string]any{"batch": struct {
		Name     string    `json:"name"`
		Volume   string    `json:"volume"`
		OG       float64   `json:"original_gravity"`
		Ceiling  string    `json:"ceiling"`
		Rule     string    `json:"abv_rule"`
		Risk     float64   `json:"risk"`
		Yeast    string    `json:"yeast"`
		Pitched  time.Time `json:"pitched_at"`
		Response string    `json:"response_time"`
		Crash    crash     `json:"crash"`
		Sensors  []string  `json:"sensors"`
	}{
		p.name, trim(float64(p.plan.Volume)) + " L", float64(p.plan.OriginalGravity), p.plan.Ceiling.String(), string(p.plan.Rule), p.plan.Risk,
		string(p.plan.Yeast), p.at.UTC().Truncate(time.Second), p.response.String(),
		crash{trim(float64(p.plan.CrashTo)) + " Cel", p.plan.TimeConstant.String()},
		p.sensors,
	}})
}

// MoreWrong reports whether something is wrong, or asked about, with what is folded away.
func (f newBatch) MoreWrong() bool {
	return len(f.Odd) > 0 || slices.ContainsFunc([]string{"crash_to", "time_constant", "response", "beer", "rule", "risk"}, func(name string) bool { return f.Errors[name] != "" })
}
