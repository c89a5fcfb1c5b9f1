package page

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"ebbline/ingest"
)

// calibrationAsk is what a script wants a float calibrated by.
type calibrationAsk struct {
	Sensor string        `json:"sensor"`
	Degree int           `json:"degree"` // 1 to 3
	Pairs  []ingest.Pair `json:"pairs"`
}

// calibrationInfo is a calibration as the API shows it; without pairs it took
// back those before it.
type calibrationInfo struct {
	Sensor   string        `json:"sensor"`
	Quantity string        `json:"quantity"`
	Degree   int           `json:"degree"`
	Pairs    []ingest.Pair `json:"pairs"`
	Fit      *ingest.Fit   `json:"fit"`
	At       time.Time     `json:"at"`
	InForce  bool          `json:"in_force"`
}

func infoOfCalibration(c Calibration, inForce bool) calibrationInfo {
	i := calibrationInfo{Sensor: c.Sensor, Quantity: string(c.Quantity), Degree: c.Degree, Pairs: c.Pairs, At: c.At, InForce: inForce}
	if i.Pairs == nil {
		i.Pairs = []ingest.Pair{}
	}
	if len(c.Pairs) > 0 {
		i.Fit = &c.Fit
	}
	return i
}

func (s *Server) apiCalibrations(w http.ResponseWriter, r *http.Request) {
	var out []calibrationInfo
	only := r.URL.Query().Get("sensor")
	for _, k := range s.knownSensors() {
		if only != "" && k.Sensor.Name != only {
			continue
		}
		for i, c := range k.Calibrations {
			out = append(out, infoOfCalibration(c, i == len(k.Calibrations)-1 && k.inForce() != nil && !k.Overruled))
		}
	}
	answerList(s, w, r, "calibrations", out, func(c calibrationInfo) string { return c.Sensor + "\x00" + c.At.Format(time.RFC3339Nano) })
}

// askedCalibration fits what a script sent.
func (s *Server) askedCalibration(r *http.Request) (Calibration, error) {
	var ask calibrationAsk
	if err := body(r, &ask); err != nil {
		return Calibration{}, err
	}
	q, err := s.calibrableBy(ask.Sensor)
	if err != nil {
		return Calibration{}, err
	}
	fit, err := ingest.FitPairs(q, ask.Pairs, ask.Degree)
	var bad *ingest.PairError
	switch {
	case errors.As(err, &bad):
		return Calibration{}, &Refused{Field: fmt.Sprintf("pairs[%d].%s", bad.Index, bad.Field), Text: bad.Text}
	case err != nil:
		return Calibration{}, &Refused{Field: "pairs", Text: err.Error()}
	}
	return Calibration{Sensor: ask.Sensor, Quantity: q, Degree: ask.Degree, Pairs: ask.Pairs, Fit: fit, At: s.opts.Now()}, nil
}

// calibrableBy is the quantity by which a sensor of this name is calibrated.
func (s *Server) calibrableBy(name string) (ingest.Quantity, error) {
	known := s.knownSensors()
	i := slices.IndexFunc(known, func(k KnownSensor) bool { return k.Sensor.Name == name })
	if i < 0 {
		return "", &Refused{Field: "sensor", Text: fmt.Sprintf("there is no sensor %q; GET /api/v1/definitions lists all there are", name)}
	}
	q, ok := calibrable(known[i])
	if !ok {
		return "", &Refused{Field: "sensor", Text: "it gives neither a tilt nor a gravity: there is nothing to calibrate"}
	}
	return q, nil
}

// apiFit says what a calibration would be like, and keeps nothing.
func (s *Server) apiFit(w http.ResponseWriter, r *http.Request) {
	c, err := s.askedCalibration(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answerJSON(w, r, http.StatusOK, infoOfCalibration(c, false))
}

func (s *Server) apiCalibrate(w http.ResponseWriter, r *http.Request) {
	c, err := s.askedCalibration(r)
	if err == nil {
		err = s.opts.Actions.Calibrate(r.Context(), c)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answerJSON(w, r, http.StatusCreated, infoOfCalibration(c, true))
}

// apiWithdraw takes the calibration in force back; with none it changes nothing.
func (s *Server) apiWithdraw(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("sensor")
	q, err := s.calibrableBy(name)
	if err == nil {
		for _, k := range s.knownSensors() {
			if k.Sensor.Name == name && k.inForce() != nil {
				err = s.opts.Actions.Calibrate(r.Context(), Calibration{Sensor: name, Quantity: q, At: s.opts.Now()})
			}
		}
	}
	s.answerDone(w, r, err)
}
