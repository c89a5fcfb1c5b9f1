package grafana

import "fmt"

// livePanels ask what /metrics says, of Prometheus.
func livePanels() []panel {
	of := func(name string) string { return fmt.Sprintf(`ebbline_%s{batch=~"$batch"}`, name) }
	return []panel{
		{"Time left to start the crash", "Until the crash by at the accepted risk; below zero it is late. An estimate: the page and your phone go before.", "s", 0, true, []query{
			{promQL: of("batch_crash_by_timestamp_seconds") + " - time()", legend: "{{batch}}"},
		}},
		{"Alcohol and its ceiling", "Believed alcohol by volume with the band of two deviations, and what must not be exceeded.", "percentunit", 3, false, []query{
			{promQL: of("batch_alcohol_ratio"), legend: "{{batch}}", color: measured},
			{promQL: of("batch_alcohol_ratio") + " + 2 * " + of("batch_alcohol_deviation_ratio"), legend: "{{batch}} upper", color: measured, dashed: true},
			{promQL: of("batch_alcohol_ratio") + " - 2 * " + of("batch_alcohol_deviation_ratio"), legend: "{{batch}} lower", color: measured, dashed: true},
			{promQL: of("batch_alcohol_ceiling_ratio"), legend: "{{batch}} ceiling", color: bound},
		}},
		{"Gravity", "Believed relative density at 20/20 °C with the band of two deviations.", "none", 4, false, []query{
			{promQL: of("batch_gravity_ratio"), legend: "{{batch}}", color: measured},
			{promQL: of("batch_gravity_ratio") + " + 2 * " + of("batch_gravity_deviation_ratio"), legend: "{{batch}} upper", color: measured, dashed: true},
			{promQL: of("batch_gravity_ratio") + " - 2 * " + of("batch_gravity_deviation_ratio"), legend: "{{batch}} lower", color: measured, dashed: true},
		}},
		{"Temperature", "Of the beer.", "celsius", 1, false, []query{{promQL: of("batch_temperature_celsius"), legend: "{{batch}}", color: measured}}},
		{"Probability to reach the ceiling", "If nobody acts.", "percentunit", 0, false, []query{{promQL: of("batch_crosses_probability_ratio"), legend: "{{batch}}", color: projected, dashed: true}}},
		{"Open alerts", "By severity.", "none", 0, false, []query{
			{promQL: "sum by (severity) (" + of("batch_alerts_open") + ")", legend: "{{severity}}"},
			{promQL: "sum(" + of("batch_crash_now_unanswered") + ")", legend: "crash now, unanswered", color: projected},
		}},
		{"Age of the last reading", "By batch.", "s", 0, false, []query{{promQL: "time() - " + of("batch_last_reading_timestamp_seconds"), legend: "{{batch}}"}}},
		{"What is well", "The items of the page's Health: 1 is well.", "none", 0, true, []query{{promQL: "ebbline_health_ok", legend: "{{code}}"}}},
		{"Messages", "Received, acknowledged after they were stored or refused for good, and left to be sent again.", "cps", 3, false, []query{
			{promQL: "rate(ebbline_messages_received_total[$__rate_interval])", legend: "received"},
			{promQL: "rate(ebbline_messages_acknowledged_total[$__rate_interval])", legend: "acknowledged"},
			{promQL: "rate(ebbline_messages_unstored_total[$__rate_interval])", legend: "not stored"},
		}},
		{"Refusals", "By reason, in an hour.", "none", 0, false, []query{{promQL: "increase(ebbline_refusals_total[1h])", legend: "{{reason}}"}}},
		{"Journal", "How long a commit takes.", "s", 4, false, []query{{promQL: "ebbline_journal_commit_seconds", legend: "last commit"}}},
		{"Size of the record", "", "bytes", 1, false, []query{{promQL: "ebbline_journal_size_bytes", legend: "journal"}}},
		{"Notifications", "Queued for later, and due or failed and tried again.", "none", 0, false, []query{
			{promQL: "ebbline_deliveries_pending", legend: "queued"},
			{promQL: "ebbline_deliveries_waiting", legend: "due or tried again", color: projected},
			{promQL: "ebbline_channel_up", legend: "{{channel}} takes messages"},
		}},
		{"Mirror", "Readings and entries not copied yet, and points refused for good.", "none", 0, false, []query{
			{promQL: "ebbline_mirror_behind_readings", legend: "behind"},
			{promQL: "ebbline_mirror_points_skipped_total", legend: "skipped"},
		}},
		{"Memory", "Resident.", "bytes", 1, false, []query{{promQL: `process_resident_memory_bytes{job="ebbline"}`, legend: "ebbline"}}},
		{"Processor", "Share of one core.", "percentunit", 3, false, []query{{promQL: `rate(process_cpu_seconds_total{job="ebbline"}[$__rate_interval])`, legend: "ebbline"}}},
	}
}

// historyPanels ask what the mirror has copied, of either server.
func historyPanels() []panel {
	field := func(measurement, field, legend, color string, dashed bool) query {
		return query{
			promQL:   fmt.Sprintf(`last_over_time(%s_%s{batch=~"$batch"}[1h])`, measurement, field),
			influxQL: fmt.Sprintf(`SELECT last(%q) FROM %q WHERE "batch" =~ /^$batch$/ AND $timeFilter GROUP BY time($__interval), "batch" fill(none)`, field, measurement),
			legend:   "{{batch}} " + legend, color: color, dashed: dashed,
		}
	}
	reading := func(quantity string) query {
		return query{
			promQL:   fmt.Sprintf(`last_over_time(reading_value{quantity=%q}[1h])`, quantity),
			influxQL: fmt.Sprintf(`SELECT mean("value") FROM "reading" WHERE "quantity" = '%s' AND $timeFilter GROUP BY time($__interval), "sensor" fill(none)`, quantity),
			legend:   "{{sensor}}", color: "",
		}
	}
	return []panel{
		{"Estimated gravity", "Relative density at 20/20 °C.", "none", 4, false, []query{field("estimate", "gravity", "estimate", measured, false)}},
		{"Gravity as read", "By sensor, with its offset, lifts and noise.", "none", 4, false, []query{reading("gravity")}},
		{"Alcohol", "Estimated % by volume; where it comes to rest if left alone, and if the crash starts now.", "percent", 2, false, []query{
			field("estimate", "abv", "estimate", measured, false),
			field("projection", "abv_if_left_p50", "if left alone", projected, true),
			field("projection", "abv_if_crashed_now_p10", "if crashed now, p10", bound, true),
			field("projection", "abv_if_crashed_now_p90", "if crashed now, p90", bound, true),
		}},
		{"Uncertainty", "Standard deviations of gravity (SG) and alcohol (% by volume).", "none", 4, false, []query{
			field("estimate", "gravity_sd", "gravity", measured, false), field("estimate", "abv_sd", "alcohol", projected, false),
		}},
		{"Temperature of the beer", "", "celsius", 1, false, []query{field("estimate", "temperature", "estimate", measured, false), reading("temperature")}},
		{"Probability to reach the ceiling", "If nobody acts.", "percentunit", 0, false, []query{field("projection", "crosses_probability", "probability", projected, true)}},
		{"Crash by", "The latest moment to start the crash at the accepted risk, as it was believed then (Unix seconds).", "dateTimeAsIso", 0, false, []query{
			{
				promQL: `last_over_time(projection_crash_by{batch=~"$batch"}[1h]) * 1000`, legend: "{{batch}}", color: projected, dashed: true,
				influxQL: `SELECT last("crash_by") * 1000 FROM "projection" WHERE "batch" =~ /^$batch$/ AND $timeFilter GROUP BY time($__interval), "batch" fill(none)`,
			},
		}},
		{"Alerts", "Each kind when it was raised: 1 info, 2 warning, 3 urgent.", "none", 0, false, []query{{
			promQL: `last_over_time({__name__=~"alert_.+", batch=~"$batch"}[$__range])`, legend: "{{batch}} {{__name__}}", color: "",
			influxQL: `SELECT /.+/ FROM "alert" WHERE "batch" =~ /^$batch$/ AND $timeFilter GROUP BY "batch"`,
		}}},
	}
}
