package main

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/deploy/quicktest"
)

// Law: a watch is taken up again from a snapshot of every form there has been;
// a damaged one, or one packed in a way not known, is refused and says so.
func TestSnapshotsOfEveryForm(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	file, err := config.ParseBatch("vat.yaml", []byte(twoFloats+"batch: {id: vat-1, name: Vat 1, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: 2026-03-02T18:00:00Z, sensors: [float-1]}\n"))
	require.NoError(t, err)
	r := kept{file: file, watched: watched{sensors: []string{"float-2"}, said: 7, offset: map[alert.Kind]int{"crash-now": 2}}}
	r.watch, err = newWatch(file, alert.Options{})
	require.NoError(t, err)
	r.watch.Tick(file.Batch.PitchedAt.Add(3 * time.Hour))
	packed, err := r.snapshot()
	require.NoError(t, err)
	plain, err := r.watch.Snapshot()
	require.NoError(t, err)
	require.Less(t, len(packed), len(plain)*9/10)
	old := savedWatch{Said: r.said, Sensors: r.sensors, Offset: r.offset}
	head, err := json.Marshal(old)
	require.NoError(t, err)
	old.Watch = plain
	whole, err := json.Marshal(old)
	require.NoError(t, err)

	for name, form := range map[string][]byte{"packed": packed, "apart": append(append(head, '\n'), plain...), "all JSON": whole} {
		again, err := restored(file, form, 5, alert.Options{}, nil)
		require.NoError(t, err, name)
		require.Equal(t, []any{int64(5), int64(7), r.sensors, r.offset, r.watch.Now(), r.watch.State()},
			[]any{again.read, again.said, again.sensors, again.offset, again.watch.Now(), again.watch.State()}, name)
		same, err := again.watch.Snapshot()
		require.NoError(t, err)
		require.Len(t, same, len(plain), name)
	}
	refused := func(form []byte, why string) {
		_, err := restored(file, form, 5, alert.Options{}, nil)
		require.ErrorContains(t, err, why)
	}
	refused(packed[:len(packed)/2], "unpacking the snapshot")
	for at := 0; at < len(packed); at += max(1, len(packed)/300) { // a bit flipped, all through it
		flipped := bytes.Clone(packed)
		flipped[at] ^= 1 << (at % 8)
		_, err := restored(file, flipped, 5, alert.Options{}, nil)
		require.Error(t, err, "byte %d", at)
	}
	refused([]byte(`{"packed":"brick"}`+"\nx"), `packed by "brick"`)
	refused([]byte("{"), "decoding the snapshot")
}
