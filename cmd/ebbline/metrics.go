package main

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// maxBatchMetrics bounds the label values that batches make.
const maxBatchMetrics = 200

// metrics reads the daemon's state when Prometheus asks; nothing is counted twice.
type metrics struct {
	d     *daemon
	descs map[string]*prometheus.Desc
}

// newRegistry holds the daemon's metrics and those of the process.
func newRegistry(d *daemon) *prometheus.Registry {
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(newMetrics(d), collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

func newMetrics(d *daemon) *metrics {
	m := &metrics{d: d, descs: map[string]*prometheus.Desc{}}
	for _, x := range []struct {
		name, help string
		labels     []string
	}{
		{"ebbline_build_info", "Version of the daemon; always 1.", []string{"version"}},
		{"ebbline_broker_connected", "1 while readings can arrive from the broker.", nil},
		{"ebbline_broker_last_packet_timestamp_seconds", "When the broker was last heard.", nil},
		{"ebbline_messages_received_total", "MQTT messages received.", nil},
		{"ebbline_messages_acknowledged_total", "MQTT messages acknowledged, after they were stored or refused for good.", nil},
		{"ebbline_messages_unstored_total", "MQTT messages that could not be stored and were left to be sent again.", nil},
		{"ebbline_refusals_total", "Messages and readings refused, by reason.", []string{"reason"}},
		{"ebbline_journal_readings", "Readings in the journal.", nil},
		{"ebbline_journal_size_bytes", "Size of the journal's file.", nil},
		{"ebbline_journal_commit_seconds", "How long the last commit took.", nil},
		{"ebbline_deliveries_pending", "Notifications queued and not yet accepted.", nil},
		{"ebbline_mirror_up", "1 while the mirror accepts what it is sent.", nil},
		{"ebbline_mirror_points_total", "Points the mirror has accepted.", nil},
		{"ebbline_mirror_points_skipped_total", "Points the mirror refused for good.", nil},
		{"ebbline_batches_running", "Running batches.", nil},
		{"ebbline_batch_gravity_ratio", "Believed relative density at 20/20 degrees Celsius.", []string{"batch"}},
		{"ebbline_batch_gravity_deviation_ratio", "Standard deviation of the believed relative density.", []string{"batch"}},
		{"ebbline_batch_alcohol_ratio", "Believed alcohol by volume, as a fraction.", []string{"batch"}},
		{"ebbline_batch_alcohol_deviation_ratio", "Standard deviation of the believed alcohol by volume.", []string{"batch"}},
		{"ebbline_batch_temperature_celsius", "Temperature of the beer.", []string{"batch"}},
		{"ebbline_batch_crosses_probability_ratio", "Probability that the batch reaches its ceiling if nobody acts.", []string{"batch"}},
		{"ebbline_batch_crash_by_timestamp_seconds", "Latest moment to start the crash at the accepted risk.", []string{"batch"}},
		{"ebbline_batch_belief_timestamp_seconds", "The moment the belief stands for.", []string{"batch"}},
	} {
		m.descs[x.name] = prometheus.NewDesc(x.name, x.help, x.labels, nil)
	}
	return m
}

// Describe names every metric.
func (m *metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range m.descs {
		ch <- d
	}
}

// Collect reads the state of every room.
func (m *metrics) Collect(ch chan<- prometheus.Metric) {
	send := func(kind prometheus.ValueType, name string, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(m.descs[name], kind, v, labels...)
	}
	gauge := func(name string, v float64, labels ...string) { send(prometheus.GaugeValue, name, v, labels...) }
	counter := func(name string, v float64, labels ...string) { send(prometheus.CounterValue, name, v, labels...) }

	gauge("ebbline_build_info", 1, version)
	m.ingest(gauge, counter)
	m.batches(gauge)
}

type sendMetric func(name string, v float64, labels ...string)

func (m *metrics) ingest(gauge, counter sendMetric) {
	st := m.d.source.Status()
	gauge("ebbline_broker_connected", asNumber(st.Connected))
	if !st.LastPacket.IsZero() {
		gauge("ebbline_broker_last_packet_timestamp_seconds", float64(st.LastPacket.UnixMilli())/1000)
	}
	counter("ebbline_messages_received_total", float64(st.Received))
	counter("ebbline_messages_acknowledged_total", float64(st.Acknowledged))
	counter("ebbline_messages_unstored_total", float64(st.HandlerErrors))
	for reason, n := range m.d.refusals.counts() {
		counter("ebbline_refusals_total", float64(n), string(reason))
	}
	js := m.d.journal.Stats()
	gauge("ebbline_journal_readings", float64(js.Readings))
	gauge("ebbline_journal_size_bytes", float64(js.FileBytes))
	gauge("ebbline_journal_commit_seconds", js.LastCommit.Seconds())
	gauge("ebbline_deliveries_pending", float64(js.Pending))
	if m.d.mirror != nil {
		ms := m.d.mirror.Status()
		gauge("ebbline_mirror_up", asNumber(ms.Problem == ""))
		counter("ebbline_mirror_points_total", float64(ms.Written))
		counter("ebbline_mirror_points_skipped_total", float64(ms.Skipped))
	}
}

func (m *metrics) batches(gauge sendMetric) {
	states := m.d.keeper.states()
	gauge("ebbline_batches_running", float64(len(states)))
	for i, b := range states {
		if i == maxBatchMetrics {
			return
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

func asNumber(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
