package mirror

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

type seriesKey struct {
	sensor   string
	quantity ingest.Quantity
}

// item is one thing of the journal with its place: a point, or why it is none.
// With neither there is nothing to copy.
type item struct {
	place int64
	point *write.Point
	skip  *skip
}

// follower reads one of the journal's two sequences.
type follower struct {
	cursor   string
	readings bool
	read     func(ctx context.Context, after int64) ([]item, error)
}

func (m *Mirror) followers() []follower {
	return []follower{
		{cursor: m.cursorName("readings"), readings: true, read: m.readReadings},
		{cursor: m.cursorName("events"), read: m.readEvents},
	}
}

func (m *Mirror) readReadings(ctx context.Context, after int64) ([]item, error) {
	stored, err := m.journal.ReadingsAfter(ctx, after, m.cfg.Chunk)
	if err != nil {
		return nil, err
	}
	items := make([]item, len(stored))
	for i, s := range stored {
		items[i] = item{place: s.Seq}
		if !m.admit(seriesKey{s.Sensor, s.Quantity}) {
			items[i].skip = &skip{s.Sensor + " " + string(s.Quantity), fmt.Sprintf("more than %d series", m.cfg.MaxSeries)}
			continue
		}
		items[i].point = readingPoint(s)
	}
	return items, nil
}

// admit bounds the series: a topic filter with + or # makes a sensor of every
// topic that anybody publishes to.
func (m *Mirror) admit(k seriesKey) bool {
	if m.series[k] {
		return true
	}
	if len(m.series) >= m.cfg.MaxSeries {
		return false
	}
	m.series[k] = true
	return true
}

func (m *Mirror) readEvents(ctx context.Context, after int64) ([]item, error) {
	said, err := m.journal.EventsAfter(ctx, after, m.cfg.Chunk)
	if err != nil {
		return nil, err
	}
	items := make([]item, len(said))
	for i, e := range said {
		p, err := eventPoint(e.Event)
		items[i] = item{place: e.Row, point: p}
		if err != nil {
			items[i].skip = &skip{fmt.Sprintf("%s %d of batch %s", e.Type, e.N, e.Batch), err.Error()}
		}
	}
	return items, nil
}

func sortOut(items []item) (points []*write.Point, skips []skip) {
	for _, i := range items {
		if i.point != nil {
			points = append(points, i.point)
		}
		if i.skip != nil {
			skips = append(skips, *i.skip)
		}
	}
	return points, skips
}

func readingPoint(s journal.Stored) *write.Point {
	return write.NewPointWithMeasurement("reading").
		AddTag("quantity", tag(string(s.Quantity))).AddTag("sensor", tag(s.Sensor)).
		AddField("value", s.Value).SetTime(s.Time)
}

// eventPoint is nil for types that are not copied.
func eventPoint(e journal.Event) (*write.Point, error) {
	var fields map[string]float64
	var err error
	switch e.Type {
	case "estimate":
		fields, err = estimateFields(e.Body)
	case "projection":
		fields, err = projectionFields(e.Body)
	case "alert":
		fields, err = alertFields(e.Body)
	default:
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read its body: %w", err)
	}
	p := write.NewPointWithMeasurement(e.Type).AddTag("batch", tag(e.Batch)).SetTime(e.Time)
	for name, v := range fields {
		p.AddField(name, v)
	}
	return p.SortFields(), nil
}

func estimateFields(body []byte) (map[string]float64, error) {
	var b struct {
		Gravity     *float64 `json:"gravity"`
		GravitySD   *float64 `json:"gravity_sd"`
		ABV         *float64 `json:"abv"`
		ABVSD       *float64 `json:"abv_sd"`
		Temperature *float64 `json:"temperature"`
	}
	if err := json.Unmarshal(body, &b); err != nil {
		return nil, err
	}
	return given(map[string]*float64{"gravity": b.Gravity, "gravity_sd": b.GravitySD, "abv": b.ABV, "abv_sd": b.ABVSD, "temperature": b.Temperature})
}

type quantiles struct {
	P10 *float64 `json:"p10"`
	P50 *float64 `json:"p50"`
	P90 *float64 `json:"p90"`
}

func projectionFields(body []byte) (map[string]float64, error) {
	var b struct {
		Crosses struct {
			Probability *float64   `json:"probability"`
			P10         *time.Time `json:"p10"`
			P50         *time.Time `json:"p50"`
			P90         *time.Time `json:"p90"`
		} `json:"crosses"`
		CrashBy *time.Time `json:"crash_by"`
		Left    quantiles  `json:"abv_if_left"`
		Crashed quantiles  `json:"abv_if_crashed_now"`
	}
	if err := json.Unmarshal(body, &b); err != nil {
		return nil, err
	}
	return given(map[string]*float64{
		"crosses_probability": b.Crosses.Probability, "crosses_p10": seconds(b.Crosses.P10), "crosses_p50": seconds(b.Crosses.P50), "crosses_p90": seconds(b.Crosses.P90),
		"crash_by":        seconds(b.CrashBy),
		"abv_if_left_p10": b.Left.P10, "abv_if_left_p50": b.Left.P50, "abv_if_left_p90": b.Left.P90,
		"abv_if_crashed_now_p10": b.Crashed.P10, "abv_if_crashed_now_p50": b.Crashed.P50, "abv_if_crashed_now_p90": b.Crashed.P90,
	})
}

func seconds(t *time.Time) *float64 {
	if t == nil {
		return nil
	}
	v := float64(t.UnixMicro()) / 1e6
	return &v
}

// given keeps the fields that are present; none at all makes no point.
func given(all map[string]*float64) (map[string]float64, error) {
	fields := map[string]float64{}
	for name, v := range all {
		if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
			fields[name] = *v
		}
	}
	if len(fields) == 0 {
		return nil, fmt.Errorf("it has none of the fields")
	}
	return fields, nil
}

func alertFields(body []byte) (map[string]float64, error) {
	var b struct {
		Kind     string `json:"kind"`
		Severity string `json:"severity"`
	}
	if err := json.Unmarshal(body, &b); err != nil {
		return nil, err
	}
	level, ok := map[string]float64{"info": 1, "warning": 2, "urgent": 3}[b.Severity]
	if !ok || b.Kind == "" || len(b.Kind) > 40 || strings.Trim(b.Kind, "abcdefghijklmnopqrstuvwxyz-") != "" {
		return nil, fmt.Errorf("kind %.60q or severity %.60q is none", b.Kind, b.Severity)
	}
	return map[string]float64{strings.ReplaceAll(b.Kind, "-", "_"): level}, nil
}

// tag makes a name fit for a tag value: the line protocol has no way to write
// a control character, and servers differ about a backslash.
func tag(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar || r == '\\' {
			return '_'
		}
		return r
	}, s)
	if runes := []rune(s); len(runes) > 256 {
		s = string(runes[:256])
	}
	return s
}

// describe names a point for a person.
func describe(p *write.Point) string {
	var b strings.Builder
	b.WriteString(p.Name())
	for _, t := range p.TagList() {
		b.WriteString(" " + t.Value)
	}
	b.WriteString(" at " + p.Time().UTC().Format(time.RFC3339Nano))
	return b.String()
}
