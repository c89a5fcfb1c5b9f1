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

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"ebbline/cmd/ebbline/config"
	"ebbline/projection/ferment"
)

// SoakCmd is for developers: it runs the daemon for long on a fast clock, and
// fails on growth and on anything doubled.
type SoakCmd struct {
	For   time.Duration `default:"12h" help:"How long, of our time; the round under way is brought to its end."`
	Days  int           `default:"0" placeholder:"N" help:"End after so many days of the cellar, if that comes first; 0: never."`
	Speed float64       `default:"4500" help:"How many seconds pass in the cellar in one of ours."`
	Data  string        `type:"path" placeholder:"FOLDER" help:"Where to keep the record; a temporary folder, removed at the end, unless given."`
}

// Help is the long help with an example.
func (SoakCmd) Help() string {
	return `Four virtual batches at a time from pitch to keg, one after the other in the same four vessels, in
one daemon with a phone and a switch of its own on loopback. A line a round; exit status 1 on growth of goroutines or
memory, on files of another size than the readings of the first rounds let expect, and on a
reading, notification or command that is missing or doubled.

Examples:
  ebbline soak --for 10m
  ebbline soak --days 365 --speed 200000`
}

// soakBatches is how many batches run at a time.
const soakBatches = 4

// Run goes round after round.
func (c *SoakCmd) Run(out io.Writer) (err error) {
	if c.For <= 0 || !(c.Speed >= 1 && c.Speed <= 1e6) || c.Days < 0 {
		return usageError{errors.New("--for wants a time above zero, --speed 1 to 1000000, --days none or more")}
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer cancel()
	cfg, clean, err := (&DemoCmd{Data: c.Data, MQTT: "127.0.0.1:0", Listen: "127.0.0.1:0"}).settings(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, clean()) }()
	books, err := openBooks(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, books.close()) }()
	cfg.Notify = []config.Channel{{Name: "phone", Kind: "webhook", URL: books.phone}}
	for i := range soakBatches {
		cfg.OnCrashNow = append(cfg.OnCrashNow, config.Command{Sensor: soakFloat(i), Topic: soakSwitch(i), Payload: "on", QoS: 1, Within: config.DefaultWithin})
	}
	clock := &steppedClock{}
	clock.set(pitchHour(time.Now()))
	d, err := startDaemon(ctx, cfg, clock, true, slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	link, err := connectSensors(ctx, d.mqttAddr())
	if err != nil {
		return err
	}
	defer link.close()
	if err := books.listen(ctx, link.client); err != nil {
		return err
	}
	return c.rounds(ctx, out, d, clock, link, books)
}

func (c *SoakCmd) rounds(ctx context.Context, out io.Writer, d *daemon, clock *steppedClock, link *sensorLink, books *books) error {
	begun, heard, first := time.Now(), d.hear(), clock.Now()
	fmt.Fprintf(out, "four batches a round at %g seconds a second, for %s; page %s\n%s\n", c.Speed, config.Span(c.For), d.publicURL(), soakHeader)
	for round := 1; time.Since(begun) < c.For && !c.passed(clock.Now().Sub(first)); round++ {
		pitched := pitchHour(clock.Now().Add(24 * time.Hour))
		s := &story{
			vats: soakCellar(pitched, round), house: d, clock: clock, heard: heard, wait: (&pacer{speed: c.Speed}).wait,
			tell: &narrator{out: io.Discard, location: time.Local, pitched: pitched},
			send: func(ctx context.Context, topic string, payload []byte) error {
				if err := link.send(ctx, topic, payload); err != nil {
					return err
				}
				return books.published(payload)
			},
		}
		if err := s.run(ctx); err != nil {
			if ctx.Err() != nil {
				return errors.New("stopped before its end")
			}
			return err
		}
		row, err := books.close4(ctx, d, s.vats, round, time.Since(begun))
		fmt.Fprintln(out, row)
		if err != nil {
			return fmt.Errorf("round %d: %w", round, err)
		}
	}
	fmt.Fprintf(out, "no growth, nothing missing, nothing doubled in %v, %.0f days of the cellar\n", time.Since(begun).Round(time.Second), clock.Now().Sub(first).Hours()/24)
	return nil
}

// passed reports whether the cellar has seen the days asked for.
func (c *SoakCmd) passed(cellar time.Duration) bool {
	return c.Days > 0 && cellar >= time.Duration(c.Days)*24*time.Hour
}

func soakFloat(i int) string  { return fmt.Sprintf("float-%d", i+1) }
func soakSwitch(i int) string { return fmt.Sprintf("switch/%d/set", i+1) }

// soakCellar is four batches that no other round has: two plain ones, one in a
// room that swings, one whose yeast stops by itself.
func soakCellar(pitched time.Time, round int) []*vat {
	kinds := [soakBatches]ferment.Kind{ferment.Plain, ferment.Swing, ferment.MaltNeg, ferment.Plain}
	var vats []*vat
	for i, kind := range kinds {
		v := ferment.Draw(uint64(100_000+round*soakBatches+i), kind)
		v.PitchedAt = pitched
		for n, f := range v.Floats {
			f.Name = soakFloat(i)
			if n > 0 {
				f.Name = fmt.Sprintf("%s-%d", f.Name, n+1)
			}
		}
		for n, t := range v.Thermometers {
			t.Name = fmt.Sprintf("probe-%d-%d", i+1, n+1)
		}
		vats = append(vats, &vat{name: fmt.Sprintf("Round %d Tub %d", round, i+1), vessel: fmt.Sprintf("tub %d", i+1), v: v})
	}
	return vats
}

// listen hears states and commands as an ordinary client does.
func (b *books) listen(ctx context.Context, client mqtt.Client) error {
	filters := map[string]byte{"ebbline/batch/+/state": 1, "switch/+/set": 1}
	if err := settled(ctx, client.SubscribeMultiple(filters, func(_ mqtt.Client, m mqtt.Message) { b.heard(m.Topic(), m.Payload()) })); err != nil {
		return fmt.Errorf("listening for states and commands: %w", err)
	}
	return nil
}
