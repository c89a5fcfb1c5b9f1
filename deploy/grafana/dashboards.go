// Package grafana holds the one source of the dashboards beside it; their tests
// write the files and put every query to a real server.
package grafana

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Colours as on ebbline's own page: measured blue, projected vermillion and
// dashed, bounds grey (Okabe and Ito's set, told apart by the colour-blind).
const (
	measured  = "#0072B2"
	projected = "#D55E00"
	bound     = "#7F7F7F"
)

// query is one line of a panel, in the languages of the sources that have it.
type query struct {
	promQL, influxQL string
	legend, color    string
	dashed           bool
}

// panel is one graph or, with stat, one number a series.
type panel struct {
	title, about, unit string
	decimals           int
	stat               bool
	queries            []query
}

// source is where a dashboard's queries go.
type source struct {
	file, uid, title, about, kind string
	batches                       string // the query that lists the batches
	panels                        []panel
}

func sources() []source {
	return []source{
		{
			"ebbline-prometheus.json", "ebbline-prometheus", "ebbline: cellar and daemon",
			"What Prometheus scrapes from ebbline's /metrics: the running batches, and how the daemon does.",
			"prometheus", "label_values(ebbline_batch_crash_now_unanswered, batch)", livePanels(),
		},
		{
			"ebbline-victoriametrics.json", "ebbline-victoriametrics", "ebbline: history (VictoriaMetrics)",
			"What ebbline's mirror has copied to VictoriaMetrics: every batch, also past ones.",
			"prometheus", "label_values(estimate_gravity, batch)", historyPanels(),
		},
		{
			"ebbline-influxdb.json", "ebbline-influxdb", "ebbline: history (InfluxDB)",
			"What ebbline's mirror has copied to InfluxDB, asked in InfluxQL: every batch, also past ones.",
			"influxdb", `SHOW TAG VALUES FROM "estimate" WITH KEY = "batch"`, historyPanels(),
		},
	}
}

// files are the dashboards by file name.
func files() (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, s := range sources() {
		text, err := json.MarshalIndent(s.dashboard(), "", " ")
		if err != nil {
			return nil, fmt.Errorf("write dashboard %s: %w", s.file, err)
		}
		out[s.file] = append(text, '\n')
	}
	return out, nil
}

type object = map[string]any

func (s source) dashboard() object {
	var panels []object
	for i, p := range s.panels {
		panels = append(panels, s.panel(i, p))
	}
	return object{
		"uid": s.uid, "title": s.title, "description": s.about, "tags": []string{"ebbline"},
		"schemaVersion": 39, "version": 1, "editable": true, "refresh": "1m", "timezone": "browser",
		"time":   object{"from": "now-3d", "to": "now"},
		"panels": panels,
		"templating": object{"list": []object{
			{"name": "source", "type": "datasource", "label": "Source", "query": s.kind},
			{
				"name": "batch", "type": "query", "label": "Batch", "query": s.batches, "refresh": 2, "includeAll": true, "multi": true,
				"datasource": s.datasource(), "sort": 1, "current": object{"text": "All", "value": "$__all"},
			},
		}},
	}
}

func (s source) datasource() object { return object{"type": s.kind, "uid": "${source}"} }

func (s source) panel(i int, p panel) object {
	kind, options := "timeseries", object{"legend": object{"displayMode": "list", "placement": "bottom"}, "tooltip": object{"mode": "multi"}}
	if p.stat {
		kind, options = "stat", object{"reduceOptions": object{"calcs": []string{"lastNotNull"}}, "textMode": "value_and_name", "colorMode": "none"}
	}
	var targets, overrides []object
	for n, q := range p.queries {
		ref := string(rune('A' + n))
		t := object{"refId": ref, "datasource": s.datasource()}
		if s.kind == "influxdb" {
			t["query"], t["rawQuery"], t["resultFormat"], t["alias"] = q.influxQL, true, "time_series", influxLegend(q.legend)
		} else {
			t["expr"], t["legendFormat"], t["range"] = q.promQL, q.legend, true
		}
		targets = append(targets, t)
		overrides = append(overrides, q.override(ref))
	}
	return object{
		"id": i + 1, "type": kind, "title": p.title, "description": p.about, "datasource": s.datasource(),
		"gridPos":     object{"h": 8, "w": 12, "x": i % 2 * 12, "y": i / 2 * 8},
		"fieldConfig": object{"defaults": object{"unit": p.unit, "decimals": p.decimals, "custom": object{"spanNulls": 3600000}}, "overrides": overrides},
		"options":     options, "targets": targets,
	}
}

// influxLegend writes a legend as Grafana's InfluxDB source reads it.
func influxLegend(legend string) string {
	return strings.NewReplacer("{{__name__}}", "$col", "{{", "$tag_", "}}", "").Replace(legend)
}

func (q query) override(ref string) object {
	var properties []object
	if q.color != "" {
		properties = append(properties, object{"id": "color", "value": object{"mode": "shades", "fixedColor": q.color}})
	}
	if q.dashed {
		properties = append(properties, object{"id": "custom.lineStyle", "value": object{"fill": "dash", "dash": []int{8, 8}}})
	}
	return object{"matcher": object{"id": "byFrameRefID", "options": ref}, "properties": properties}
}
