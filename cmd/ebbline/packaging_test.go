package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// A batch is packaged once, also while its watch has yet to read of it: another
// entry than a note is refused, and says since when. The same key is the same entry.
func TestABatchIsPackagedOnce(t *testing.T) {
	t.Parallel()
	d, id, pitched := running(t, t.TempDir())
	ph, at, free := 3.8, pitched.Add(10*time.Hour), make(chan struct{})
	d.keeper.between <- func() { <-free }
	pack := func(key string) error {
		return d.Packaged(t.Context(), id, page.Package{Time: at, Into: "keg", Key: key})
	}
	refused := func() {
		t.Helper()
		says := "was packaged " + stamp(at.In(d.conf().Location()))
		require.ErrorContains(t, pack("other"), says)
		require.ErrorContains(t, pack(""), says)
		require.ErrorContains(t, d.AddSample(t.Context(), id, page.Sample{Time: at, PH: &ph}), says)
		require.NoError(t, d.Note(t.Context(), id, page.Note{Time: at, Text: "Clear."}))
	}
	require.NoError(t, pack("once"))
	require.NoError(t, pack("once"))
	refused()
	close(free)
	require.Eventually(t, func() bool {
		b, err := d.journal.Batch(t.Context(), id)
		return err == nil && b.Ended != nil
	}, longEnough, 10*time.Millisecond)
	refused()
}

// A batch is packaged when it was entered to have been, which may be hours before its
// entry: record, head of the page and report say that one time.
func TestABatchIsPackagedWhenItWasEntered(t *testing.T) {
	t.Parallel()
	d, id, pitched := running(t, t.TempDir())
	at := pitched.Add(9*time.Hour + 7*time.Minute).Truncate(time.Minute)
	d.hears(t, "cellar/float-1", fmt.Sprintf(`{"g": 1.0131, "ts": %d}`, time.Now().Unix()))
	d.awaits(t, id, func(st alert.State) bool { return st.Now.After(at) })
	require.NoError(t, d.Packaged(t.Context(), id, page.Package{Time: at, Into: "keg"}))
	var b journal.Batch
	require.Eventually(t, func() bool {
		var err error
		b, err = d.journal.Batch(t.Context(), id)
		return err == nil && b.Ended != nil
	}, longEnough, 10*time.Millisecond)
	require.Equal(t, at, b.Ended.UTC())
	at = at.In(d.conf().Location())
	require.Regexp(t, "Packaged (today|yesterday) "+at.Format("15:04"), answerOf(t, d, "/batch/"+id))
	require.Equal(t, 2, strings.Count(answerOf(t, d, "/batch/"+id+"/report"), at.Format("Mon 2 Jan 2006 15:04")), "in the table and in the list")
}
