package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"syscall"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// DemoCmd runs the daemon with a virtual cellar on a fast clock.
type DemoCmd struct {
	Speed  float64       `default:"4500" help:"How many seconds pass in the cellar in one of ours."`
	Data   string        `type:"path" placeholder:"FOLDER" help:"Where to keep the record; a temporary folder, removed at the end, unless given."`
	Listen string        `placeholder:"HOST:PORT" help:"Address of the page; 127.0.0.1:8080, or any free port if that is taken, unless given."`
	MQTT   string        `name:"mqtt" default:"127.0.0.1:0" help:"Address of the broker; port 0 takes a free one."`
	For    time.Duration `help:"End after this time of ours; unless given, the page stays open after the story until Ctrl-C."`
}

// Help is the long help with an example.
func (DemoCmd) Help() string {
	return `Three batches of an invented cellar, one with a bad float, from pitch to keg in about two
minutes. No password, loopback only.

Example:
  ebbline demo --speed 4500`
}

// closedWithin bounds how long a packaged batch takes to be closed.
const closedWithin = time.Minute

// Finally waits until a packaged batch is closed and gives what its page says of it.
func (d *daemon) Finally(ctx context.Context, batch string) (*projection.Estimate, error) {
	ctx, cancel := context.WithTimeout(ctx, closedWithin)
	defer cancel()
	for {
		b, err := d.journal.Batch(ctx, batch)
		if err != nil {
			return nil, err
		}
		if b.Ended != nil {
			break
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("waiting for batch %s to be closed: %w", batch, ctx.Err())
		case <-time.After(5 * time.Millisecond):
		}
	}
	raw, _, err := d.journal.Get(ctx, page.SentenceKey(batch))
	if err != nil {
		return nil, err
	}
	var p present
	var e projection.Estimate // of the contract's line it takes these two
	if err := json.Unmarshal([]byte(raw), &p); err != nil {
		return nil, fmt.Errorf("reading what is believed of batch %s: %w", batch, err)
	}
	if err := json.Unmarshal(p.Estimate, &struct {
		ABV *gravity.ABV `json:"abv"`
		SD  *gravity.ABV `json:"abv_sd"`
	}{&e.ABV, &e.ABVSD}); err != nil {
		return nil, fmt.Errorf("reading what is believed of batch %s: %w", batch, err)
	}
	return &e, nil
}

// Run tells the story on out.
func (c *DemoCmd) Run(out io.Writer) (err error) {
	if !(c.Speed >= 1 && c.Speed <= 1e6) {
		return usageError{fmt.Errorf("--speed %g: want 1 to 1000000 seconds of the cellar a second", c.Speed)}
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer cancel()
	if c.For > 0 {
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
	}
	cfg, clean, err := c.settings(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, clean()) }()
	pitched := pitchHour(time.Now())
	clock := &steppedClock{}
	clock.set(pitched)
	d, err := startDaemon(ctx, cfg, clock, true, slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})))
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	link, err := connectSensors(ctx, d.mqttAddr())
	if err != nil {
		return err
	}
	defer link.close()
	s := &story{
		vats: cellar(pitched), house: d, clock: clock, heard: d.hear(), send: link.send,
		wait: (&pacer{speed: c.Speed}).wait,
		tell: &narrator{out: out, location: time.Local, pitched: pitched},
	}
	s.tell.introduce(c.Speed, d.publicURL(), d.mqttAddr())
	return c.finish(ctx, s, d.publicURL())
}

// finish tells the story to its end, or to where it is cut off, and sums it up.
func (c *DemoCmd) finish(ctx context.Context, s *story, url string) error {
	err := s.run(ctx)
	if err != nil && ctx.Err() == nil {
		return err
	}
	if err := s.tell.summary(s.vats); err != nil {
		return err
	}
	if ctx.Err() == nil && c.For == 0 {
		s.tell.paragraph("", "The page stays open at "+url+" until you press Ctrl-C.")
		<-ctx.Done()
	}
	return nil
}

// settings are the daemon's, and what is to be done when it has ended.
func (c *DemoCmd) settings(ctx context.Context) (*config.Config, func() error, error) {
	cfg, err := config.Load("")
	if err != nil {
		return nil, nil, err
	}
	clean := func() error { return nil }
	cfg.Data = c.Data
	if held, err := os.ReadDir(c.Data); c.Data != "" && err == nil && len(held) > 0 {
		return nil, nil, usageError{fmt.Errorf("--data %s: the folder is not empty; a demo needs one of its own", c.Data)}
	}
	if c.Data == "" {
		folder, err := os.MkdirTemp("", "ebbline-demo-")
		if err != nil {
			return nil, nil, fmt.Errorf("making a folder for the demo's record: %w", err)
		}
		cfg.Data, clean = folder, func() error { return os.RemoveAll(folder) }
	}
	cfg.MQTT.URL, cfg.MQTT.Listen = "", c.MQTT
	cfg.Page.Listen = c.Listen
	if c.Listen == "" {
		cfg.Page.Listen = freeOr(ctx, "127.0.0.1:8080")
	}
	return cfg, clean, nil
}

// freeOr is the address if nobody listens there, else one with any free port.
func freeOr(ctx context.Context, addr string) string {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", addr)
	if err == nil {
		err = l.Close()
	}
	if err != nil {
		return "127.0.0.1:0"
	}
	return addr
}

// pitchHour is six in the evening of that day, where this machine is: the crash
// then tends to fall into a night, as it does in life.
func pitchHour(now time.Time) time.Time {
	y, m, d := now.Date()
	return time.Date(y, m, d, 18, 0, 0, 0, now.Location())
}
