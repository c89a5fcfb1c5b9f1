package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
)

const fuzzedBatch = `sensors: [{name: f, topic: a/f, time: /ts, readings: [{quantity: gravity, pointer: /g, unit: sg}, {quantity: temperature, pointer: /t, unit: Cel}]}]
batch: {name: hollow 1, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: 2026-03-02T18:00:00Z, response_time: 30m, crash: {to: 2 Cel, time_constant: 5h}, sensors: [f]}
`

// FuzzCapture: whatever a capture holds, it is refused with its place, or what
// comes out is JSON Lines in the order of time.
func FuzzCapture(f *testing.F) {
	for _, lines := range []string{
		`{"time":"2026-03-02T18:05:00Z","topic":"a/f","payload":{"g":1.0131,"t":19.5}}` + "\n\n" + `{"time":"2026-03-02T19:00:00Z","topic":"a/f","payload":"{\"g\":1.013}"}`,
		`{"time":"2026-03-02T17:05:00Z","topic":"a/f","payload":{"g":1.0131,"ts":1772474400},"retained":true}`,
		`{"time":"2026-03-02T18:05:00Z","topic":"ebbline/batch/readings","payload":[{"sensor":"f","quantity":"gravity","time":"2026-03-02T18:05:00Z","value":1.0131}]}`,
		`{"time":"2026-03-02T18:05:00Z","topic":"ebbline/batch/entry","payload":{"seq":1,"kind":"sample","time":"2026-03-02T18:05:00Z","entered":"2026-03-02T18:05:00Z","body":{"Gravity":1.0131}}}`,
		`{"time":"2026-03-02T18:05:00Z","topic":"ebbline/batch/entry","payload":{"seq":1,"kind":"crash-started","time":"0001-01-01T00:00:00Z","body":null}}`,
		`{"time":"2026-03-02T18:05:00Z","topic":"a/f"}`, `{"time":"9999-12-31T23:59:59Z","topic":"a/f","payload":1}`, `{"time":0}`, "\xff", "[",
	} {
		f.Add([]byte(lines))
	}
	file, err := config.ParseBatch("f", []byte(fuzzedBatch))
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, capture []byte) {
		var out bytes.Buffer
		r, err := newReplayer(file, watchOptions(file, alert.Options{Every: 15 * time.Minute}), &out)
		require.NoError(t, err)
		r.gap = 12 * time.Hour // a year has it look for a quarter of a minute, which the fuzzer takes for hanging
		if err := r.all(bytes.NewReader(capture), "c"); err != nil {
			require.Regexp(t, `^c:\d+:\d+: `, err.Error())
		}
		var last time.Time
		for line := range strings.Lines(out.String()) {
			var said struct {
				Type string
				Time time.Time
			}
			require.NoError(t, json.Unmarshal([]byte(line), &said), line)
			require.NotEmpty(t, said.Type)
			require.False(t, said.Time.Before(last), "%s", out.String())
			last = said.Time
		}
	})
}
