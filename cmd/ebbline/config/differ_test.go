package config

import (
	"iter"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Law: whatever a batch file can say, but its name and samples, is compared with what
// a running batch is watched by.
func TestEveryKeyOfABatchIsCompared(t *testing.T) {
	t.Parallel()
	const base = "id: a\nname: a\nvolume: 19 L\noriginal_gravity: 1.0155\nceiling: 0.5\npitched_at: 2026-03-02T18:00:00Z\n"
	parse := func(batch, sensors string) BatchFile {
		text := "batch:\n"
		for l := range lines(batch) {
			text += "  " + l + "\n"
		}
		f, err := ParseBatch("b.yaml", []byte(text+sensors), func(string) bool { return true })
		require.NoError(t, err, text)
		f, err = DecodeSpec(f.Raw)
		require.NoError(t, err)
		return f
	}
	const float = "sensors: [{name: f, topic: f, readings: [{quantity: gravity, pointer: /g, unit: sg}]}]\n"
	old := parse(base+"sensors: [f]", float)
	require.Empty(t, Differ(old, parse(base+"sensors: [f]\nsamples: [{time: 2026-03-03T18:00:00Z, gravity: 1.014}]", float), []string{"f"}))
	covered := map[string]bool{"id": true, "name": true, "samples": true}
	for key, c := range map[string]struct{ line, says string }{
		"volume":              {"volume: 20 L", "volume 19 L is watched, the file says 20 L"},
		"original_gravity":    {"original_gravity: 1.0185", "original gravity 1.0155 is watched, the file says 1.0185"},
		"ceiling":             {"ceiling: \"< 0.5\"", "ceiling 0.5 % is watched, the file says < 0.5 %"},
		"pitched_at":          {"pitched_at: 2026-03-02T19:00:00Z", "pitched at 2026-03-02T18:00:00Z is watched, the file says 2026-03-02T19:00:00Z"},
		"original_gravity_sd": {"original_gravity_sd: 0.0005", "original gravity sd 0.4 points is watched, the file says 0.5 points"},
		"abv_rule":            {"abv_rule: hmrc", "abv rule balling is watched, the file says hmrc"},
		"risk":                {"risk: 0.1", "risk 0.05 is watched, the file says 0.1"},
		"yeast":               {"yeast: maltose-negative", "yeast standard is watched, the file says maltose-negative"},
		"response_time":       {"response_time: 45m", "response time 30m is watched, the file says 45m"},
		"crash":               {"crash: {to: 1 Cel, time_constant: 5h}", "crash to 2 Cel is watched, the file says 1 Cel"},
		"sensors":             {"sensors: [g]", "sensors f is watched, the file says g"},
		"temperature":         {"temperature: {low: 15 Cel, high: 20 Cel}", "temperature none is watched, the file says 15 Cel to 20 Cel"},
		"temperature_steps":   {"temperature_steps: [{at: 2026-03-04T18:00:00Z, to: 16 Cel}]", "temperature steps none is watched, the file says 16 Cel at 2026-03-04T18:00:00Z"},
		"heads_up":            {"heads_up: [6h]", "the file says 6h"},
		"quiet":               {"quiet: {from: 22:00, to: 06:00}", "quiet none is watched, the file says 22:00 to 06:00"},
	} {
		text := ""
		for l := range lines(base + "sensors: [f]") {
			if len(l) <= len(key) || l[:len(key)+1] != key+":" {
				text += l + "\n"
			}
		}
		got := Differ(old, parse(text+c.line, float), []string{"f"})
		require.NotEmpty(t, got, key)
		require.Contains(t, got[0].String(), c.says)
		covered[key] = true
	}
	for _, k := range batchKeys().Keys {
		require.True(t, covered[k.Name], "%s is not compared", k.Name)
	}
	swapped := parse(base+"sensors: [g]", float)
	require.Empty(t, Differ(old, swapped, []string{"g"}), "as it was swapped on the page")
	require.Empty(t, Differ(old, old, []string{"g"}), "the file from before the swap")
	other := parse(base+"sensors: [f]", "sensors: [{name: f, topic: f, readings: [{quantity: gravity, pointer: /x, unit: sg}]}]\n")
	require.Equal(t, "sensor f is described otherwise in the file", Differ(old, other, []string{"f"})[0].String())
}

func lines(text string) iter.Seq[string] {
	return strings.SplitSeq(strings.TrimSuffix(text, "\n"), "\n")
}
