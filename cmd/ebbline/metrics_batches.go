package main

import (
	"context"

	"ebbline/alert"
)

// maxBatchMetrics bounds the label values that batches make.
const maxBatchMetrics = 200

func (m *metrics) batches(gauge sendMetric) {
	states := m.d.keeper.states()
	gauge("ebbline_batches_running", float64(len(m.d.keeper.running())))
	unanswered := m.unanswered()
	for _, b := range states[:min(len(states), maxBatchMetrics)] {
		m.urgency(gauge, b, unanswered[b.id])
		if !b.state.LastReading.IsZero() {
			gauge("ebbline_batch_last_reading_timestamp_seconds", float64(b.state.LastReading.UnixMilli())/1000, b.id)
		}
		if b.ceiling > 0 {
			gauge("ebbline_batch_alcohol_ceiling_ratio", b.ceiling/100, b.id)
		}
		if e := b.state.Estimate; e != nil {
			gauge("ebbline_batch_gravity_ratio", float64(e.Gravity), b.id)
			gauge("ebbline_batch_gravity_deviation_ratio", float64(e.GravitySD), b.id)
			gauge("ebbline_batch_alcohol_ratio", float64(e.ABV)/100, b.id)
			gauge("ebbline_batch_alcohol_deviation_ratio", float64(e.ABVSD)/100, b.id)
			gauge("ebbline_batch_belief_timestamp_seconds", float64(e.Time.Unix()), b.id)
			if e.Temperature != nil {
				gauge("ebbline_batch_temperature_celsius", float64(*e.Temperature), b.id)
			}
		}
		if p := b.state.Projection; p != nil {
			gauge("ebbline_batch_crosses_probability_ratio", p.Crosses.Probability, b.id)
			if p.CrashBy != nil {
				gauge("ebbline_batch_crash_by_timestamp_seconds", float64(p.CrashBy.Unix()), b.id)
			}
		}
	}
}

// alertCounts are the open alerts of a batch.
type alertCounts struct {
	bySeverity map[string]int
	crashNow   bool // one is open and nobody has answered
}

// unanswered counts the open alerts of all batches.
func (m *metrics) unanswered() map[string]alertCounts {
	counts := map[string]alertCounts{}
	open, err := m.d.journal.Alerts(context.Background(), "", true)
	if err != nil {
		m.d.log.Warn("alerts cannot be counted for the metrics", "error", err)
		return counts
	}
	for _, a := range open {
		c := counts[a.Batch]
		if c.bySeverity == nil {
			c.bySeverity = map[string]int{}
		}
		c.bySeverity[a.Severity]++
		c.crashNow = c.crashNow || a.Kind == string(alert.CrashNow) && a.Acknowledged == nil
		counts[a.Batch] = c
	}
	return counts
}

func (m *metrics) urgency(gauge sendMetric, b batchState, c alertCounts) {
	for _, severity := range []string{"info", "warning", "urgent"} {
		gauge("ebbline_batch_alerts_open", float64(c.bySeverity[severity]), b.id, severity)
	}
	gauge("ebbline_batch_crash_now_unanswered", asNumber(c.crashNow), b.id)
}
