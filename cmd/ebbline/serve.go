package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"ebbline/cmd/ebbline/config"
)

// ServeCmd runs the daemon until it is told to stop.
type ServeCmd struct {
	Config string   `type:"path" placeholder:"FILE" help:"Configuration file; without it everything has a default."`
	Batch  []string `type:"path" placeholder:"FILE" help:"Batch file to start; may be given several times. One that runs already is watched on by what it was begun with; log and health say what the file says otherwise."`
}

// Help is the long help with an example.
func (ServeCmd) Help() string {
	return `Without a configuration the daemon keeps its data in the XDG state folder and listens on
loopback only: MQTT on 127.0.0.1:1883, the page on 127.0.0.1:8080.

Example:
  ebbline serve --config /etc/ebbline.yaml --batch batch.yaml`
}

// wallClock is the time of this machine.
type wallClock struct{}

// Now is the time of this machine.
func (wallClock) Now() time.Time { return time.Now() }

// Run serves until SIGINT or SIGTERM.
func (c *ServeCmd) Run(out io.Writer) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	var files []config.BatchFile
	if cfg.Batch != nil {
		files = append(files, *cfg.Batch)
	}
	for _, name := range c.Batch {
		f, err := config.LoadBatch(name, config.Names(cfg.Sensors))
		if err != nil {
			return usageError{err}
		}
		files = append(files, f)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer cancel()
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP) // from here on, so that one at the start ends nothing
	defer signal.Stop(hup)
	level := new(slog.LevelVar)
	log := newLog(os.Stderr, os.LookupEnv, level)
	manager := newSupervisor(os.LookupEnv, log)
	d, err := startDaemon(ctx, cfg, wallClock{}, false, log, files...)
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		log.Info("stopped before the start was complete; the next start goes on from there", "why", context.Cause(ctx))
		return nil
	}
	if err != nil {
		return err
	}
	d.level, d.again.hup = level, hup
	d.setLevel(cfg)
	d.background(ctx, "signs of life", func(ctx context.Context) { manager.vouch(ctx, d.hung) })
	fmt.Fprintf(out, "ebbline %s is running: page %s, %s. Stop it with Ctrl-C.\n", version, d.publicURL(), d.listening())
	status := fmt.Sprintf("Page %s, %s.", d.publicURL(), d.listening())
	manager.ready(status)
	for d.again.asked(ctx) {
		manager.reloading()
		if err := d.reload(ctx, c.Config); err != nil { // said in log and health
			manager.ready("The changed configuration was not taken up. " + status)
			continue
		}
		manager.ready(status)
	}
	manager.stopping()
	return stopped(log, context.Cause(ctx), d.Close)
}

// stopped stops the daemon and leaves in the log why, and that it was done: who
// finds nothing after the first line knows that the end was another.
func stopped(log *slog.Logger, why error, stop func() error) error {
	log.Info("stopping", "why", why)
	begun := time.Now()
	if err := stop(); err != nil {
		log.Error("stopped, but not all in order", "took", time.Since(begun).Round(time.Millisecond), "error", err)
		return err
	}
	log.Info("stopped", "took", time.Since(begun).Round(time.Millisecond))
	return nil
}

// listening says in a few words where readings come from.
func (d *daemon) listening() string {
	if d.conf().MQTT.URL != "" {
		return "readings from " + d.conf().MQTT.URL
	}
	return "MQTT on " + d.mqttAddr()
}
