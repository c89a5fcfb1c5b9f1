package main

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
)

// A batch is begun long after its pitch, with readings in the journal by which
// its crash fell due nine hours ago, and the last of them three hours old. What
// rings is true now and said in the words of now; nothing older rings.
func TestABatchBegunLateRingsForNowOnly(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, 9*time.Hour)
	file, err := config.LoadBatch(b.batch)
	require.NoError(t, err)
	mapper, err := ingest.Compile(file.Sensors)
	require.NoError(t, err)
	s, h := newSink(t), newResidence(t)
	h.quick, h.extra = true, fmt.Sprintf("timezone: UTC\nnotify: [{webhook: %q}]\n", s.URL+"/hook")
	j := openJournal(t, h.data)
	for i, l := range captureLines(t, filepath.Join(captures, "plain-02"))[:len(b.lines)] {
		at := l.Time.Add(b.shift)
		if time.Since(at) < 3*time.Hour {
			break
		}
		readings, refused := mapper.Decode(ingest.Message{Topic: l.Topic, Payload: []byte(b.lines[i]), Arrived: at})
		require.Empty(t, refused)
		require.NoError(t, j.Record(t.Context(), readings, nil))
	}
	require.NoError(t, j.Close())

	p := h.serve(t, b.batch)
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, 3*time.Minute, 50*time.Millisecond, "%s", p.get("/api/v1/alerts"))
	waitForQuietPhone(t, s)
	p.term()
	j = openJournal(t, h.data)
	raised, err := j.Alerts(t.Context(), b.id, false)
	require.NoError(t, err)
	require.Greater(t, len(raised), 1, "heads-ups stand on the page, and do not ring")
	raw, ok, err := j.Get(t.Context(), page.SentenceKey(b.id))
	require.NoError(t, err)
	require.True(t, ok)
	now, err := presentOf([]byte(raw))
	require.NoError(t, err)
	t.Logf("of %d rang %d: %v", len(raised), len(s.all()), s.all()[0].Body["message"])
	require.Contains(t, now.Message, "There has been no reading since", "said of now, not of three hours ago")
	require.Len(t, s.of("crash-now"), 1)
	for _, c := range s.all() {
		require.Equal(t, "urgent", c.Body["severity"])
		require.Equal(t, now.Message, c.Body["message"], "the sentence of the page")
		a, err := j.Alert(t.Context(), fmt.Sprint(c.Body["id"]))
		require.NoError(t, err)
		require.Nil(t, a.Resolved, "it holds still")
	}
}
