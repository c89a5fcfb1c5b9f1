package main

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

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
	for _, x := range metricList() {
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
	gauge("ebbline_watch_round_timestamp_seconds", float64(m.d.beat.Load())/1e6)
	gauge("ebbline_page_sessions", float64(m.d.page.Sessions(m.d.clock.Now())))
	m.ingest(gauge, counter)
	m.record(gauge, counter)
	m.outward(gauge, counter)
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
	gauge("ebbline_broker_clients", float64(st.Clients))
	counter("ebbline_broker_dismissed_total", float64(st.Dismissed))
}

func (m *metrics) record(gauge, counter sendMetric) {
	js := m.d.journal.Stats()
	gauge("ebbline_journal_readings", float64(js.Readings))
	counter("ebbline_readings_thinned_total", float64(js.Thinned))
	gauge("ebbline_journal_size_bytes", float64(js.FileBytes))
	gauge("ebbline_journal_commit_seconds", js.LastCommit.Seconds())
	gauge("ebbline_journal_queue_length", float64(js.Waiting))
	counter("ebbline_journal_commits_total", float64(js.Groups))
	counter("ebbline_journal_commit_failures_total", float64(js.Failed))
	counter("ebbline_watch_divergences_total", float64(js.Diverged))
	gauge("ebbline_deliveries_pending", float64(js.Pending))
	gauge("ebbline_deliveries_waiting", float64(js.Overdue))
}

// outward is what is told of the rooms that send: health, channels, mirror.
func (m *metrics) outward(gauge, counter sendMetric) {
	well := map[string]bool{}
	for _, i := range m.d.health() {
		before, known := well[i.Code]
		well[i.Code] = i.OK && (before || !known)
	}
	for code, ok := range well {
		gauge("ebbline_health_ok", asNumber(ok), code)
	}
	for _, c := range m.d.ladder.Load().Status() {
		gauge("ebbline_channel_up", asNumber(c.FailingSince.IsZero()), c.Name)
	}
	if m.d.mirror == nil {
		return
	}
	ms := m.d.mirror.Status()
	gauge("ebbline_mirror_up", asNumber(ms.Problem == ""))
	counter("ebbline_mirror_points_total", float64(ms.Written))
	counter("ebbline_mirror_points_skipped_total", float64(ms.Skipped))
	gauge("ebbline_mirror_behind_readings", float64(ms.Behind))
}

func asNumber(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
