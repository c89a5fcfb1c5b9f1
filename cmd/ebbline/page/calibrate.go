package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"ebbline/ingest"
)

// calibratePage makes a float's calibration from pairs of what it shows and what
// is known.
type calibratePage struct {
	sheet
	Sensor   string
	Quantity ingest.Quantity
	Shown    string // what the float shows, for the labels
	Now      string // its last shown value, to copy; "": not known
	Heard    *time.Time
	Rows     []pairRow
	More     bool // another row can be had
	Degrees  []choice
	Fit      *fitView
	Why      string // why there is no fit yet
	Source   string // overrules it, if it does
	History  []calibrationView
	Beyond   string
}

type pairRow struct{ Shown, Known field }

// calibrationView is a calibration that was made here.
type calibrationView struct {
	At      time.Time
	Text    string
	InForce bool
}

// fitView is a fit with its residuals and its picture.
type fitView struct {
	Picture   *fitPicture
	Formula   string
	SD        string
	Range     string
	Residuals []residual
	Doubt     string
}

type residual struct{ Shown, Known, Off string }

// startRows is how many pairs a fresh form asks for.
const startRows = 5

// calibrable is the quantity by which a sensor can be calibrated: the gravity
// that it shows, else its tilt.
func calibrable(k KnownSensor) (ingest.Quantity, bool) {
	var q ingest.Quantity
	for _, r := range k.Sensor.Readings {
		if r.Quantity == ingest.Gravity || r.Quantity == ingest.Tilt && q == "" {
			q = r.Quantity
		}
	}
	return q, q != ""
}

// calibrated is the sensor that the request names, or answers that there is none.
func (s *Server) calibrated(w http.ResponseWriter, r *http.Request, name string) (KnownSensor, ingest.Quantity, bool) {
	known := s.knownSensors()
	i := slices.IndexFunc(known, func(k KnownSensor) bool { return k.Sensor.Name == name })
	if i < 0 {
		s.missing(w, r, "There is no sensor of this name. The list of sensors names all there are.")
		return KnownSensor{}, "", false
	}
	q, ok := calibrable(known[i])
	if !ok {
		s.missing(w, r, "This sensor gives neither a tilt nor a gravity: there is nothing to calibrate.")
	}
	return known[i], q, ok
}

func (s *Server) getCalibrate(w http.ResponseWriter, r *http.Request) {
	k, q, ok := s.calibrated(w, r, r.URL.Query().Get("sensor"))
	if !ok {
		return
	}
	f := sheet{Key: secret(12), Units: s.unitsOf(r), Values: map[string]string{"degree": "1", "rows": strconv.Itoa(startRows)}}
	if q == ingest.Tilt {
		f.Values["degree"] = "2"
	}
	if c := k.inForce(); c != nil {
		f.Values["degree"], f.Values["rows"] = strconv.Itoa(c.Degree), strconv.Itoa(len(c.Pairs)+1)
		for i, p := range c.Pairs {
			n := strconv.Itoa(i)
			f.Values["known."+n], f.Values["shown."+n] = f.Units.typedGravity(p.Known), trim(p.Shown)
			if q == ingest.Gravity {
				f.Values["shown."+n] = f.Units.typedGravity(p.Shown)
			}
		}
	}
	s.showCalibrate(w, r, http.StatusOK, k, q, f, nil)
}

// readPairs reads the rows of the form; empty ones are left out. Where in the
// form each pair stood is told besides.
func readPairs(in *input, q ingest.Quantity) (pairs []ingest.Pair, at []int) {
	rows, err := strconv.Atoi(in.text("rows"))
	if err != nil || rows < 1 || rows > ingest.MaxPairs {
		rows = startRows
	}
	for i := range rows {
		n := strconv.Itoa(i)
		shown, known := "shown."+n, "known."+n
		if in.text(shown) == "" && in.text(known) == "" {
			continue
		}
		in.need(shown, "Enter what the float showed.")
		in.need(known, "Enter the gravity that was known.")
		var x *float64
		if q == ingest.Tilt {
			x = in.within(shown, -180, 180, "degrees", "42.1 or 42,1")
		} else {
			x = in.gravity(shown)
		}
		if y := in.gravity(known); x != nil && y != nil {
			pairs, at = append(pairs, ingest.Pair{Shown: *x, Known: *y}), append(at, i)
		}
	}
	return pairs, at
}

// fitted reads the form and makes the fit; nil with a fault in in if it cannot.
func fitted(in *input, sensor string, q ingest.Quantity) (*Calibration, string) {
	pairs, at := readPairs(in, q)
	degree, err := strconv.Atoi(in.text("degree"))
	if err != nil {
		in.fault("degree", "Choose one of the three.")
	}
	if !in.good() {
		return nil, ""
	}
	fit, err := ingest.FitPairs(q, pairs, degree)
	var bad *ingest.PairError
	switch {
	case errors.As(err, &bad):
		in.fault(bad.Field+"."+strconv.Itoa(at[bad.Index]), "%s.", firstUpper(bad.Text))
		return nil, ""
	case err != nil:
		return nil, firstUpper(err.Error()) + "."
	}
	return &Calibration{Sensor: sensor, Quantity: q, Degree: degree, Pairs: pairs, Fit: fit, At: in.now}, ""
}

func (s *Server) showCalibrate(w http.ResponseWriter, r *http.Request, code int, k KnownSensor, q ingest.Quantity, f sheet, made *Calibration) {
	p := calibratePage{sheet: f, Sensor: k.Sensor.Name, Quantity: q, Shown: "Gravity that it shows"}
	if q == ingest.Tilt {
		p.Shown = "Tilt, degrees"
	}
	rows, err := strconv.Atoi(f.Values["rows"])
	if err != nil || rows < 1 || rows > ingest.MaxPairs {
		rows = startRows
	}
	p.More = rows < ingest.MaxPairs
	for i := range rows {
		n := strconv.Itoa(i)
		row := pairRow{Shown: f.Number("shown."+n, p.Shown, ""), Known: f.Number("known."+n, "Known gravity", "")}
		p.Rows = append(p.Rows, row)
	}
	for d, text := range []string{"straight line, 3 pairs or more", "slightly bent, 4 or more", "bent twice, 5 or more"} {
		p.Degrees = append(p.Degrees, choice{strconv.Itoa(d + 1), text, f.Is("degree", strconv.Itoa(d+1))})
	}
	if k.Overruled {
		p.Source = k.Source
	}
	if err := s.describeCalibration(r.Context(), &p, k, q, f.Units, made); err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, code, "calibrate", frame{Title: "Calibrate " + k.Sensor.Name, Here: "sensors", Script: "forms.js", Body: p})
}

// describeCalibration says what the float shows now, what the fit is like, and
// what was used before.
func (s *Server) describeCalibration(ctx context.Context, p *calibratePage, k KnownSensor, q ingest.Quantity, u Units, made *Calibration) error {
	last, ok, err := s.opts.Journal.LastReading(ctx, k.Sensor.Name, q)
	if err != nil {
		return err
	}
	if ok && (q == ingest.Tilt || k.inForce() == nil) { // a corrected gravity is not what the float shows
		p.Now, p.Heard = trim(last.Value), &last.Time
		if q == ingest.Gravity {
			p.Now = u.gravity(last.Value)
		} else {
			p.Now += "°"
		}
	}
	shown := made
	if shown == nil {
		shown = k.inForce()
	}
	if shown != nil {
		p.Fit = viewFit(*shown, u)
	}
	if c := k.inForce(); c != nil && made == nil {
		if p.Beyond, err = s.beyond(ctx, k, *c); err != nil {
			return err
		}
	}
	for i, c := range slices.Backward(k.Calibrations) {
		v := calibrationView{At: c.At, InForce: i == len(k.Calibrations)-1, Text: "Taken back"}
		if len(c.Pairs) > 0 {
			v.Text = fmt.Sprintf("%d pairs, degree %d, off by ± %s points", len(c.Pairs), c.Degree, tenth2(c.Fit.SD))
		}
		p.History = append(p.History, v)
	}
	return nil
}

// beyond says that what a sensor shows now lies outside the pairs it was
// calibrated by; empty if it does not.
func (s *Server) beyond(ctx context.Context, k KnownSensor, c Calibration) (string, error) {
	last, ok, err := s.opts.Journal.LastReading(ctx, k.Sensor.Name, c.Quantity)
	if err != nil || !ok || k.Overruled || last.Time.Before(c.At) {
		return "", err
	}
	return Beyond(c, last.Value), nil
}

// Beyond says that a reading, as it is recorded, lies outside the pairs of its
// calibration; empty if it does not.
func Beyond(c Calibration, value float64) string {
	low, high, unit := c.Fit.Low, c.Fit.High, "°"
	if c.Quantity == ingest.Gravity { // recorded as corrected
		low, high, unit = c.Fit.At(low), c.Fit.At(high), " SG"
	}
	if value >= low && value <= high {
		return ""
	}
	say := func(v float64) string {
		if c.Quantity == ingest.Gravity {
			return sg(v)
		}
		return minus(tenth(v))
	}
	return fmt.Sprintf("%s gives %s%s, outside the %s to %s%s that it was calibrated over: there its gravity is a guess. Take a sample, and add a pair.",
		c.Sensor, say(value), unit, say(low), say(high), unit)
}

func (s *Server) postCalibrate(w http.ResponseWriter, r *http.Request) {
	in, ok := s.readInput(w, r, time.Time{})
	if !ok {
		return
	}
	k, q, ok := s.calibrated(w, r, in.text("sensor"))
	if !ok {
		return
	}
	do := in.text("do")
	if in.took {
		do = "show"
	}
	if do == "withdraw" {
		if err := s.opts.Actions.Calibrate(r.Context(), Calibration{Sensor: k.Sensor.Name, Quantity: q, At: in.now}); err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/sensors?done=withdrawn", http.StatusSeeOther)
		return
	}
	if do == "more" {
		rows, _ := strconv.Atoi(in.text("rows")) // nonsense starts anew
		in.form.Set("rows", strconv.Itoa(min(max(rows, 0)+2, ingest.MaxPairs)))
		s.showCalibrate(w, r, http.StatusOK, k, q, in.sheet(), nil)
		return
	}
	made, why := fitted(in, k.Sensor.Name, q)
	if why != "" {
		in.fault("", "%s", why)
	}
	switch {
	case !in.good() && do == "show":
		s.showCalibrate(w, r, http.StatusOK, k, q, in.sheet(), nil)
	case !in.good():
		s.showCalibrate(w, r, http.StatusUnprocessableEntity, k, q, in.sheet(), nil)
	case do == "show":
		s.showCalibrate(w, r, http.StatusOK, k, q, in.sheet(), made)
	default:
		if err := s.opts.Actions.Calibrate(r.Context(), *made); err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/sensors?done=calibrated", http.StatusSeeOther)
	}
}
