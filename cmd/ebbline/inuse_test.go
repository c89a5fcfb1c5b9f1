package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
)

// A daemon that cannot listen, or whose folder another one has, says once what is
// in the way and which line of the configuration changes it.
func TestWhatIsInTheDaemonsWay(t *testing.T) {
	t.Parallel()
	taken, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	addr := taken.Addr().(*net.TCPAddr)
	next := net.JoinHostPort("127.0.0.1", strconv.Itoa(addr.Port+1))
	start := func(data, mqtt, page string) error {
		text := fmt.Sprintf("data: %s\nmqtt: {listen: %q}\npage: {listen: %q}\n", data, mqtt, page)
		cfg, err := config.Parse("ebbline.yaml", []byte(text), func(string) (string, bool) { return "", false })
		require.NoError(t, err)
		d, err := startDaemon(context.Background(), cfg, wallClock{}, true, slog.New(slog.DiscardHandler))
		if err == nil {
			t.Cleanup(func() { require.NoError(t, d.Close()) })
		}
		return err
	}
	const free = "127.0.0.1:0"
	err = start(t.TempDir(), free, addr.String())
	require.ErrorContains(t, err, "choose a free port in the configuration: page: {listen: \""+next+"\"}")
	err = start(t.TempDir(), addr.String(), free)
	require.ErrorContains(t, err, "choose a free port in the configuration: mqtt: {listen: \""+next+"\"}")
	require.ErrorContains(t, err, "mqtt: {url: \"tcp://"+addr.String()+"\"}")

	data := t.TempDir()
	require.NoError(t, start(data, free, free))
	err = start(data, free, free)
	require.Regexp(t, "^open the record in "+data+": the data folder is in use by [^:]*: stop that ebbline first", err.Error())
}
