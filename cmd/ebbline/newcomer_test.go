package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
)

// Law: whatever a watch is doing while channels are set up, they are told of what is
// urgent: also if it has asked just before whom to tell, or has not come to the present.
func TestANewChannelHearsOfWhatIsBeingSaid(t *testing.T) {
	t.Parallel()
	for name, catching := range map[string]bool{"asked whom to tell": false, "behind the present": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			v := newTwoVats(t)
			file := filepath.Join(t.TempDir(), "ebbline.yaml")
			text := fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n", t.TempDir())
			cfg, err := config.Parse(file, []byte(text), os.LookupEnv)
			require.NoError(t, err)
			d, err := startDaemon(t.Context(), cfg, wallClock{}, false, slog.New(slog.DiscardHandler), v.files...)
			require.NoError(t, err)
			t.Cleanup(func() { require.NoError(t, d.Close()) })
			require.NoError(t, os.WriteFile(file, fmt.Appendf([]byte(text), "notify: [{webhook: %q}]\n", v.sink.URL+"/hook"), 0o600))

			batch, busy, reloaded := v.files[0].Batch.ID, make(chan struct{}), make(chan struct{})
			d.background(t.Context(), "a turn", func(ctx context.Context) {
				d.keeper.betweenRounds(ctx, func() {
					close(busy)
					d.keeper.past[batch] = catching // it has no readings, and would wait for some
					if !catching {
						<-reloaded
					}
					now := time.Now()
					a := journal.Alert{ID: batch + "/crash-now/1", Batch: batch, Kind: "crash-now", Severity: "urgent", Title: "now", Message: "now", Raised: now, Recorded: now, Body: []byte("{}")}
					if err := d.journal.Say(ctx, batch, 0, nil, nil, []journal.Alert{a}, nil, now, nil); err != nil {
						t.Error(err)
					}
				})
			})
			<-busy
			if catching {
				require.True(t, d.keeper.betweenRounds(t.Context(), func() {}))
			}
			require.NoError(t, d.reload(t.Context(), file))
			close(reloaded)
			if catching {
				require.True(t, d.keeper.betweenRounds(t.Context(), func() { d.keeper.past[batch] = false }))
			}
			require.Eventually(t, func() bool { return len(v.sink.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond)
		})
	}
}
