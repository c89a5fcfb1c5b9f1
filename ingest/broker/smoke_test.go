package broker

import (
	"context"
	"os/exec"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

func TestSmoke(t *testing.T) {
	got := make(chan ingest.Message, 10)
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, func(_ context.Context, m ingest.Message) error { got <- m; return nil })
	require.NoError(t, err)
	require.NoError(t, e.Start(t.Context()))
	sub := make(chan ingest.Message, 10)
	s, err := NewSubscriber(SubscriberConfig{URLs: []string{"tcp://" + e.Addr()}, ClientID: "x", Filters: []string{"#"}}, func(_ context.Context, m ingest.Message) error { sub <- m; return nil })
	require.NoError(t, err)
	require.NoError(t, s.Start(t.Context()))
	require.Eventually(t, func() bool { return s.Status().Connected && s.Status().Filters[0].Granted }, 5*time.Second, 10*time.Millisecond)
	_, port := "", e.Addr()[len("127.0.0.1:"):]
	out, err := exec.Command("mosquitto_pub", "-p", port, "-t", "a/b", "-m", "hi", "-q", "1").CombinedOutput()
	require.NoError(t, err, string(out))
	t.Log(<-got, <-sub)
	require.NoError(t, s.Publish("out/x", []byte("y"), true))
	t.Logf("%+v", s.Status())
	t.Logf("%+v", e.Status())
	require.NoError(t, s.Close())
	require.NoError(t, e.Close())
	t.Logf("%+v", s.Status())
	t.Logf("%+v", e.Status())
}
