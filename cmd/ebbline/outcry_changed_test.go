package main

import (
	"fmt"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
)

// changedLooks lets an hour pass for the outcry of changed entries, at noon.
func (d *daemon) changedLooks(t *testing.T) {
	t.Helper()
	o, now := d.changedOutcry(), time.Now()
	o.ladder, o.log = d.outcries()[0].ladder, d.log
	o.now = func() time.Time { now = now.Add(time.Minute); return now }
	for range 60 {
		o.look(t.Context())
	}
}

// Law: of a sample that the disk has changed after its batch had read it the phone
// is told once, not at every start; the batch goes on by what was read. Struck out
// and entered anew it is put right, and all is well again.
func TestASampleThatChangedAfterItWasRead(t *testing.T) {
	t.Parallel()
	v := newTwoVats(t)
	d := v.start(t)
	id := v.files[0].Batch.ID
	ph := 4.21
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: time.Now().Add(-time.Hour), PH: &ph}))
	require.NoError(t, d.AddSample(t.Context(), v.files[1].Batch.ID, page.Sample{Time: time.Now().Add(-time.Hour), PH: &ph}))
	read := func(st alert.State) bool { return st.PH != nil && *st.PH == ph }
	d.awaits(t, id, read)
	d.awaits(t, v.files[1].Batch.ID, read)
	d.changedLooks(t)
	require.NoError(t, d.Close())
	require.Empty(t, v.sink.of("cannot-watch"))

	v.scribble(t, `"PH":4.21`, `"PH":4.71`)
	for range 2 {
		d = v.start(t)
		d.awaits(t, id, read)
		d.changedLooks(t)
		require.True(t, d.watchHealth().OK, d.watchHealth().Text)
		told := v.sink.of("cannot-watch")
		require.Len(t, told, 1, "once")
		for _, says := range []string{
			"entry 1 (a hand sample) of batch " + id, "entry 2 (a hand sample)", "goes on by what ebbline had read", "corrected or struck out", "ebbline restore",
		} {
			require.Contains(t, told[0].Body["message"], says)
		}
		require.Equal(t, "warning", told[0].Body["severity"])
		require.NoError(t, d.Close())
	}

	d, err := startDaemon(t.Context(), v.cfg, wallClock{}, true, slog.New(slog.DiscardHandler), v.files...) // as a demo its pages are open
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	list := answerOf(t, d, "/api/v1/health")
	require.Contains(t, list, "entry 1 (a hand sample)")
	require.Contains(t, answerOf(t, d, "/batch/"+id), `One entry was changed on the disk and is not shown here. <a href="/batch/`+id+`/record">`)
	require.NotContains(t, answerOf(t, d, "/batch/"+id), "Not watched")
	record := answerOf(t, d, "/batch/"+id+"/record")
	require.Contains(t, record, "Sample: changed on the disk, so it is not shown")
	require.Contains(t, record, "/sample?of=1")
	require.Contains(t, answerOf(t, d, "/batch/"+id+"/strike?of=1"), "Sample: changed on the disk")
	require.NotContains(t, answerOf(t, d, "/api/v1/batches/"+id+"/entries"), "changed")
	for i, f := range v.files {
		require.NoError(t, d.Strike(t.Context(), f.Batch.ID, page.Strike{Seq: int64(i + 1), Time: time.Now()}))
		d.awaits(t, f.Batch.ID, func(st alert.State) bool { return st.PH == nil })
		require.NoError(t, d.AddSample(t.Context(), f.Batch.ID, page.Sample{Time: time.Now().Add(-time.Hour), PH: &ph}))
		d.awaits(t, f.Batch.ID, read)
	}
	require.NotContains(t, answerOf(t, d, "/batch/"+id), "changed on the disk")
	require.NotContains(t, answerOf(t, d, "/batch/"+id+"/record"), "changed on the disk")
	require.NotContains(t, answerOf(t, d, "/api/v1/health"), `"damage"`)
	d.changedLooks(t)
	require.Len(t, v.sink.of("cannot-watch"), 1)
	kept, ok, err := d.journal.Get(t.Context(), changedKey)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "[]", kept, "gone: were it to come again it would be told anew")
	require.NoError(t, d.journal.Check(t.Context()), "a backup can be made again")
	require.Equal(t, http.StatusOK, mustStatus(t, d, "/readyz"))
}

func mustStatus(t *testing.T, d *daemon, path string) (code int) {
	t.Helper()
	_, err := fmt.Sscan(answerOf(t, d, path), &code)
	require.NoError(t, err)
	return code
}
