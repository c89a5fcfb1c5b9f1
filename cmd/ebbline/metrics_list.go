package main

// metricDesc describes one metric; every label's values are bounded: reasons,
// codes, severities and configured channels are few, batches at most
// maxBatchMetrics. No label comes from a payload or a topic.
type metricDesc struct {
	name, help string
	labels     []string
}

// metricList is what /metrics holds beside the process's own.
func metricList() []metricDesc {
	return []metricDesc{
		{"ebbline_build_info", "Version of the daemon; always 1.", []string{"version"}},
		{"ebbline_broker_connected", "1 while readings can arrive from the broker.", nil},
		{"ebbline_broker_last_packet_timestamp_seconds", "When the broker was last heard.", nil},
		{"ebbline_messages_received_total", "MQTT messages received.", nil},
		{"ebbline_messages_acknowledged_total", "MQTT messages acknowledged, after they were stored or refused for good.", nil},
		{"ebbline_messages_unstored_total", "MQTT messages that could not be stored and were left to be sent again.", nil},
		{"ebbline_refusals_total", "Messages and readings refused, by reason.", []string{"reason"}},
		{"ebbline_journal_readings", "Readings in the journal.", nil},
		{"ebbline_readings_thinned_total", "Old readings that were thinned out of the journal, as keep.thin_after_days says.", nil},
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
		{"ebbline_broker_clients", "Clients connected to the embedded broker.", nil},
		{"ebbline_broker_dismissed_total", "Connections that the embedded broker turned away.", nil},
		{"ebbline_journal_queue_length", "Callers that wait for the next commit.", nil},
		{"ebbline_journal_commits_total", "Commits to the journal.", nil},
		{"ebbline_journal_commit_failures_total", "Commits that failed; what they held is tried again.", nil},
		{"ebbline_deliveries_waiting", "Notifications that are due, or failed and will be tried again.", nil},
		{"ebbline_channel_up", "1 while the channel's last message was accepted, or none was sent yet.", []string{"channel"}},
		{"ebbline_health_ok", "1 while all is well, by item of the page's list.", []string{"code"}},
		{"ebbline_mirror_behind_readings", "Readings and entries not copied yet, about.", nil},
		{"ebbline_watch_round_timestamp_seconds", "When the watches last went round.", nil},
		{"ebbline_watch_divergences_total", "Events that a watch said again in other words; not 0 is a bug.", nil},
		{"ebbline_page_sessions", "Logins to the page that have not expired.", nil},
		{"ebbline_batch_last_reading_timestamp_seconds", "When a reading of the batch last arrived.", []string{"batch"}},
		{"ebbline_batch_alcohol_ceiling_ratio", "The alcohol by volume that the batch must not exceed, as a fraction.", []string{"batch"}},
		{"ebbline_batch_alerts_open", "Open alerts, by severity.", []string{"batch", "severity"}},
		{"ebbline_batch_crash_now_unanswered", "1 while nobody has answered that the crash must start now.", []string{"batch"}},
	}
}
