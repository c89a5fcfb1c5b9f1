package page

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// exportTime bounds how long one export may take to send: a year of minute
// readings over a slow line.
const exportTime = 10 * time.Minute

// exportFile is one file in which a batch can be taken along.
type exportFile struct {
	Name, Text string
	Columns    []exportColumn
	mime       string
	write      func(s *Server, ctx context.Context, w io.Writer, st *status) error
}

// exportColumn is a column with its unit and meaning.
type exportColumn struct{ Name, Unit, Text string }

// exportFiles are the files of a batch, in the order in which they are offered.
func exportFiles() []exportFile {
	const csvType, when = "text/csv; charset=utf-8", "time|RFC 3339, UTC|when it was measured or happened"
	return []exportFile{
		{"readings.csv", "Every reading of the batch’s sensors, from pitch to package.", columns(when,
			"arrived|RFC 3339, UTC|when it arrived here", "sensor||the sensor’s name", "quantity||gravity, temperature, tilt, ph or battery",
			"value|as the next column says|as it was recorded",
			"unit||sg (relative density 20/20 °C), Cel, deg, pH; of a battery V, or / for a ratio"), csvType, (*Server).writeReadings},
		{"estimates.csv", "What the beer was believed to be, as it was believed then.", columns(when,
			"gravity|SG|estimated gravity", "gravity_sd|SG|its standard deviation", "abv|% ABV|estimated alcohol by the batch’s rule",
			"abv_sd|% ABV|its standard deviation", "temperature|°C|of the beer; empty if not known"), csvType, (*Server).writeEstimates},
		{"record.csv", "What people entered, and the alerts.", columns(when,
			"entered|RFC 3339, UTC|when it was written down", "kind||sample, crash-started, packaged, note, sensors, struck or alert",
			"gravity|SG|of a sample", "read_at|°C|temperature at which that gravity was read", "brix|°Bx|of a sample, by refractometer",
			"ph|pH|of a sample", "text||the rest in words", "struck|true or false|whether a later entry marked it as wrong"), csvType, (*Server).writeRecord},
		{"batch.json", "All of it in one file, with the description of the batch: names and units as in the API.", nil, "application/json", (*Server).writeBatch},
	}
}

// columns are written as "name|unit|meaning".
func columns(rows ...string) []exportColumn {
	var out []exportColumn
	for _, r := range rows {
		name, rest, _ := strings.Cut(r, "|")
		unit, text, _ := strings.Cut(rest, "|")
		out = append(out, exportColumn{name, unit, text})
	}
	return out
}

// exportPage offers the files and explains their columns.
type exportPage struct {
	Batch journal.Batch
	Files []exportFile
}

func (s *Server) getExports(w http.ResponseWriter, r *http.Request) {
	if st, ok := s.statusOf(w, r); ok {
		s.show(w, r, http.StatusOK, "export", frame{Title: "Take " + st.Batch.Name + " along", Here: "batches", Body: exportPage{st.Batch, exportFiles()}})
	}
}

// getExport sends one file as it is read: none of it is held in memory whole.
func (s *Server) getExport(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	for _, f := range exportFiles() {
		if f.Name != r.PathValue("file") {
			continue
		}
		h := w.Header()
		h.Set("Content-Type", f.mime)
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Disposition", `attachment; filename="`+fileName(st.Batch.ID)+"-"+f.Name+`"`)
		if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(exportTime)); err != nil {
			s.log.Debug("an export keeps its write deadline", "error", err)
		}
		if err := f.write(s, r.Context(), w, st); err != nil {
			s.log.Error("export broken off", "path", logged(r), "error", err)
			panic(http.ErrAbortHandler) // so that nobody takes a part for the whole
		}
		return
	}
	s.missing(w, r, "There is no such file. A batch has readings.csv, estimates.csv, record.csv and batch.json.")
}

// fileName is an ID as a file's name that every system takes.
func fileName(id string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, id)
}

// eachReading gives every reading of a batch, sensor by sensor and quantity by
// quantity in order of time, day by day so that a year need not fit in memory.
func (s *Server) eachReading(ctx context.Context, st *status, give func(journal.Stored) error) error {
	entries, err := s.entries(ctx, st.Batch)
	if err != nil {
		return err
	}
	all, err := tenures(st, entries)
	if err != nil {
		return err
	}
	for _, t := range all {
		end := t.To
		if end.IsZero() {
			end = s.opts.Now().Add(time.Minute)
		}
		for _, q := range []ingest.Quantity{ingest.Gravity, ingest.Temperature, ingest.Tilt, ingest.PH, ingest.Battery} {
			for from := t.From; from.Before(end); from = from.Add(24 * time.Hour) {
				to := from.Add(24 * time.Hour)
				if to.After(end) {
					to = end
				}
				some, err := s.opts.Journal.Readings(ctx, t.Sensor, q, from, to, 0)
				if err != nil {
					return err
				}
				for _, one := range some {
					if err := give(one); err != nil {
						return err
					}
				}
			}
		}
	}
	return nil
}

// unitName is the unit of a recorded value, contract §3; of a battery by its size.
func unitName(q ingest.Quantity, v float64) string {
	switch q {
	case ingest.Gravity:
		return "sg"
	case ingest.Temperature:
		return "Cel"
	case ingest.Tilt:
		return "deg"
	case ingest.PH:
		return "pH"
	case ingest.Battery:
		if v <= 1 {
			return "/"
		}
		return "V"
	}
	return ""
}

// cell keeps a spreadsheet from taking a text for a formula: what begins like
// one gets an apostrophe before it.
func cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

func utc(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return trim(*v)
}

// table writes a CSV file (RFC 4180) with the columns of its description.
func table(w io.Writer, name string, rows func(row func(cells ...string) error) error) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	var head []string
	for _, f := range exportFiles() {
		if f.Name == name {
			for _, col := range f.Columns {
				head = append(head, col.Name)
			}
		}
	}
	if err := c.Write(head); err != nil {
		return err
	}
	if err := rows(func(cells ...string) error { return c.Write(cells) }); err != nil {
		return err
	}
	c.Flush()
	return c.Error()
}

func (s *Server) writeReadings(ctx context.Context, w io.Writer, st *status) error {
	return table(w, "readings.csv", func(row func(...string) error) error {
		return s.eachReading(ctx, st, func(r journal.Stored) error {
			return row(utc(r.Time), utc(r.Arrived), cell(r.Sensor), string(r.Quantity), trim(r.Value), unitName(r.Quantity, r.Value))
		})
	})
}

// eachEstimate gives every estimate of a batch in order of time.
func (s *Server) eachEstimate(ctx context.Context, st *status, give func(estimate) error) error {
	for from := (time.Time{}); ; {
		events, err := s.opts.Journal.Events(ctx, st.Batch.ID, []string{"estimate"}, from, time.Time{}, 1000, false)
		if err != nil {
			return err
		}
		for _, ev := range events {
			e, err := estimateOf(ev)
			if err != nil {
				return err
			}
			if err := give(e); err != nil {
				return err
			}
			from = ev.Time.Add(time.Microsecond)
		}
		if len(events) < 1000 {
			return nil
		}
	}
}

// estimateOf reads an event as the estimate that it is.
func estimateOf(ev journal.Event) (e estimate, err error) {
	if err := json.Unmarshal(ev.Body, &e); err != nil {
		return e, fmt.Errorf("read an estimate of batch %s: %w", ev.Batch, err)
	}
	e.Time = ev.Time
	return e, nil
}

func (s *Server) writeEstimates(ctx context.Context, w io.Writer, st *status) error {
	return table(w, "estimates.csv", func(row func(...string) error) error {
		return s.eachEstimate(ctx, st, func(e estimate) error {
			return row(utc(e.Time), trim(e.Gravity), trim(e.GravitySD), trim(e.ABV), trim(e.ABVSD), optional(e.Temperature))
		})
	})
}

func (s *Server) writeRecord(ctx context.Context, w io.Writer, st *status) error {
	entries, err := s.entries(ctx, st.Batch)
	if err != nil {
		return err
	}
	alerts, err := s.opts.Journal.Alerts(ctx, st.Batch.ID, false)
	if err != nil {
		return err
	}
	gone := struck(entries)
	return table(w, "record.csv", func(row func(...string) error) error {
		for _, e := range entries {
			var m Sample
			if e.Kind == journal.SampleEntry {
				if err := json.Unmarshal(e.Body, &m); err != nil {
					return err
				}
			}
			err := row(utc(e.Time), utc(e.Entered), string(e.Kind), optional(m.Gravity), optional(m.Temperature), optional(m.Brix), optional(m.PH),
				cell(exportText(e)), strconv.FormatBool(gone[e.Seq]))
			if err != nil {
				return err
			}
		}
		for _, a := range alerts {
			if err := row(utc(a.Raised), utc(a.Recorded), "alert", "", "", "", "", cell(a.Kind+": "+a.Title), "false"); err != nil {
				return err
			}
		}
		return nil
	})
}

// exportText is an entry in words; that of a strike names the entry.
func exportText(e journal.Entry) string {
	var b struct {
		Seq     int64    `json:"seq"`
		Text    string   `json:"text"`
		Sensors []string `json:"sensors"`
	}
	switch {
	case json.Unmarshal(e.Body, &b) != nil:
		return string(e.Body)
	case e.Kind == journal.StruckEntry:
		return "struck out: entry " + strconv.FormatInt(b.Seq, 10)
	case e.Kind == journal.NoteEntry:
		return b.Text
	case e.Kind == journal.SensorChanged:
		return strings.Join(b.Sensors, ", ")
	}
	return told(e, Units{}).Text
}

// readingInfo is a reading as the API shows it.
type readingInfo struct {
	Time     time.Time `json:"time"`
	Arrived  time.Time `json:"arrived"`
	Sensor   string    `json:"sensor"`
	Quantity string    `json:"quantity"`
	Value    float64   `json:"value"`
	Unit     string    `json:"unit"`
}

func infoOf(r journal.Stored) readingInfo {
	return readingInfo{r.Time.UTC(), r.Arrived.UTC(), r.Sensor, string(r.Quantity), r.Value, unitName(r.Quantity, r.Value)}
}

// writeBatch writes one JSON object: the batch as the API shows it, and its lists.
func (s *Server) writeBatch(ctx context.Context, w io.Writer, st *status) error {
	entries, err := s.entries(ctx, st.Batch)
	if err != nil {
		return err
	}
	alerts, err := s.opts.Journal.Alerts(ctx, st.Batch.ID, false)
	if err != nil {
		return err
	}
	b := s.info(st)
	b.Spec = st.Batch.Spec
	o := objectWriter{w: w}
	o.field("batch", b)
	o.field("entries", entryInfos(entries))
	o.field("alerts", alertInfos(alerts))
	o.list("estimates", func(give func(any)) error {
		return s.eachEstimate(ctx, st, func(e estimate) error { give(e); return o.err })
	})
	o.list("readings", func(give func(any)) error {
		return s.eachReading(ctx, st, func(r journal.Stored) error { give(infoOf(r)); return o.err })
	})
	return o.end()
}

// objectWriter writes a JSON object field by field, and lists item by item.
type objectWriter struct {
	w     io.Writer
	begun bool
	err   error
}

func (o *objectWriter) text(s string) {
	if o.err == nil {
		_, o.err = io.WriteString(o.w, s)
	}
}

func (o *objectWriter) value(v any) {
	b, err := json.Marshal(v)
	if err != nil && o.err == nil {
		o.err = err
	}
	o.text(string(b))
}

func (o *objectWriter) name(s string) {
	if o.begun {
		o.text(",\n")
	} else {
		o.text("{\n")
	}
	o.begun = true
	o.value(s)
	o.text(":")
}

func (o *objectWriter) field(name string, v any) {
	o.name(name)
	o.value(v)
}

func (o *objectWriter) list(name string, items func(give func(any)) error) {
	o.name(name)
	o.text("[")
	first := true
	err := items(func(v any) {
		if !first {
			o.text(",\n")
		}
		first = false
		o.value(v)
	})
	if o.err == nil {
		o.err = err
	}
	o.text("]")
}

func (o *objectWriter) end() error {
	o.text("\n}\n")
	return o.err
}
