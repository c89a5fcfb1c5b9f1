package deliver

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// One look of the outbox, every second, while a hundred unanswered alerts wait
// for their turn at the second channel.
func BenchmarkLookWhileAHundredWait(b *testing.B) {
	j := journaltest.Open(b)
	_, err := j.CreateBatch(b.Context(), journal.Batch{ID: "pale-wheat-12", Name: "pale wheat 12", Spec: []byte(`{}`), Started: base})
	require.NoError(b, err)
	clock := &wall{}
	clock.set(base)
	for i := range 100 {
		a := ring("crash-now", urgent, base)
		a.ID, a.Token = fmt.Sprintf("%s-%d", a.ID, i), fmt.Sprint(i)
		require.NoError(b, j.Say(b.Context(), a.Batch, 0, nil, nil, []journal.Alert{a}, nil, base, Plan(a, []string{"letter"}, base)))
	}
	p := &phone{name: "phone"}
	box := NewOutbox(j, []Rung{{Channel: p}, {Channel: &phone{name: "letter"}, Second: true, After: quarter}}, Options{Now: clock.Now})
	for b.Loop() {
		box.look(b.Context())
	}
	require.Empty(b, box.inHand)
}
