package main

import (
	"context"
	"errors"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/broker"
)

// The virtual floats speak MQTT to the embedded broker, and a send that returns
// means that the handler has stored the message.
func TestSensorLinkToTheEmbeddedBroker(t *testing.T) {
	var mu sync.Mutex
	var stored []ingest.Message
	b, err := broker.NewEmbedded(broker.EmbeddedConfig{Listen: "127.0.0.1:0"}, func(_ context.Context, m ingest.Message) (broker.Settle, error) {
		mu.Lock()
		defer mu.Unlock()
		stored = append(stored, m)
		return nil, nil
	})
	require.NoError(t, err)
	require.NoError(t, b.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, b.Close()) })

	link, err := connectSensors(t.Context(), b.Addr())
	require.NoError(t, err)
	defer link.close()
	for range 20 {
		require.NoError(t, link.send(t.Context(), "cellar/float-1", []byte(`{"g":1.0151}`)))
	}
	mu.Lock()
	require.Len(t, stored, 20)
	require.Equal(t, "cellar/float-1", stored[0].Topic)
	require.JSONEq(t, `{"g":1.0151}`, string(stored[0].Payload))
	require.False(t, stored[0].Retained)
	mu.Unlock()
}

func TestSensorLinkEndsWithItsContext(t *testing.T) {
	block, entered := make(chan struct{}), make(chan struct{}, 10)
	b, err := broker.NewEmbedded(broker.EmbeddedConfig{Listen: "127.0.0.1:0"}, func(ctx context.Context, _ ingest.Message) (broker.Settle, error) {
		entered <- struct{}{}
		select {
		case <-block:
		case <-ctx.Done():
		}
		return nil, errors.New("the disk is full")
	})
	require.NoError(t, err)
	require.NoError(t, b.Start(t.Context()))
	t.Cleanup(func() { close(block); require.NoError(t, b.Close()) })
	link, err := connectSensors(t.Context(), b.Addr())
	require.NoError(t, err)
	defer link.close()
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-entered; cancel() }() // while the broker is still busy with it
	require.ErrorIs(t, link.send(ctx, "cellar/float-1", []byte(`{}`)), context.Canceled)
}

func TestSensorLinkWithoutABroker(t *testing.T) {
	_, err := connectSensors(t.Context(), "127.0.0.1:1")
	require.ErrorContains(t, err, "connecting the virtual floats to 127.0.0.1:1")
}
