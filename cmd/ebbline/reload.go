package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/broker"
)

// A reload takes up a changed configuration without a restart, all of it or
// nothing: everything that can fail is made and checked before anything is
// changed. What cannot change while the daemon runs (config.NeedRestart) is named
// in log and health.

// reloaded is how the last reload went.
type reloaded struct {
	mu    sync.Mutex
	at    time.Time // wall clock; zero: there was none
	fault string    // why nothing was changed; "" if it was
	later []string  // keys whose change waits for a restart
	file  string
	hup   chan os.Signal
}

// asked waits for a SIGHUP; false: ctx ended instead.
func (r *reloaded) asked(ctx context.Context) bool {
	select {
	case <-ctx.Done():
		return false
	case <-r.hup:
		return ctx.Err() == nil
	}
}

// conf is the configuration in force. What needs a restart may differ from what
// the running daemon goes by.
func (d *daemon) conf() *config.Config { return d.cfg.Load() }

// reload reads the file again and goes by it. An error says why everything is as
// it was.
func (d *daemon) reload(ctx context.Context, file string) error {
	later, err := d.takeUp(ctx, file)
	d.again.mu.Lock()
	defer d.again.mu.Unlock()
	d.again.at, d.again.file, d.again.fault = time.Now(), file, ""
	if err != nil {
		d.again.fault = err.Error()
		d.log.Error("the configuration was not taken up; everything is as it was", "file", file, "error", err)
		return err
	}
	d.again.later = later
	d.log.Info("the configuration was taken up", "file", file)
	for _, key := range later {
		d.log.Warn("a changed key needs a restart", "key", key, "file", file)
	}
	for _, t := range d.fileTroubles() { // who reloads may think that all of it holds now
		if t.code != fileGone {
			d.log.Warn("a batch file is not followed", "what", t.text)
		}
	}
	d.setLevel(d.conf())
	return nil
}

func (d *daemon) takeUp(ctx context.Context, file string) (later []string, err error) {
	if file == "" {
		return nil, errors.New("there is no file to read again: the daemon was started without --config")
	}
	next, err := config.Load(file)
	if err != nil {
		return nil, err
	}
	later = config.NeedRestart(d.begun, next)
	own := next.Batch
	next = next.Under(d.begun)
	old := d.conf()
	sensors, err := d.nextSensors(old, next)
	if err != nil {
		return nil, fmt.Errorf("%s: sensors: %w", file, err)
	}
	rungs, err := newChannels(next)
	if err != nil {
		return nil, err
	}
	watcher, err := newWatcher(d, next)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	users, err := brokerUsers(next)
	if err != nil {
		return nil, fmt.Errorf("%s: mqtt: %w", file, err)
	}
	password, err := config.Secret(next.MQTT.PasswordFile, config.MQTTPasswordEnv)
	if err != nil && next.MQTT.URL != "" {
		return nil, fmt.Errorf("%s: mqtt: %w", file, err)
	}
	// Of what follows only the first can fail, and it changes nothing then.
	if e, ok := d.source.(*broker.Embedded); ok {
		if err := e.SetUsers(users); err != nil {
			return nil, fmt.Errorf("%s: mqtt.users: %w", file, err)
		}
	}
	if s, ok := d.source.(*broker.Subscriber); ok {
		s.SetPassword(password)
	}
	d.cfg.Store(next)
	d.keeper.setChannels(next.Channels())
	if len(next.Channels()) == 0 && len(old.Channels()) > 0 {
		d.log.Warn("nobody is told any more: notify names no channel; alerts stand on the page only", "file", file)
	}
	d.climb(ctx, rungs)
	select {
	case d.newcomers <- struct{}{}:
	default: // it is to look anyway
	}
	d.watchFromOutside(ctx, watcher)
	if err := d.newQuiet(ctx, old, next); err != nil {
		d.log.Error("the quiet hours could not be changed", "error", err)
	}
	d.sensorMu.Lock()
	d.sensors = sensors
	d.sensorMu.Unlock()
	if err := d.refilter(); err != nil {
		d.log.Error("the broker could not be asked for other topics; it is tried again", "error", err)
	}
	if d.compareOwn(ctx, file, own) {
		later = slices.DeleteFunc(later, func(key string) bool { return key == "batch" })
	}
	return later, nil
}

// nextSensors are the sensors of files once next takes the place of old: those
// that a batch file brought stay.
func (d *daemon) nextSensors(old, next *config.Config) (map[string]ingest.Sensor, error) {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	all := maps.Clone(d.sensors)
	for _, s := range old.Sensors {
		delete(all, s.Name)
	}
	for _, s := range next.Sensors {
		all[s.Name] = s
	}
	if _, err := ingest.Compile(sensorList(all)); err != nil {
		return nil, errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	for _, s := range old.Sensors {
		if _, still := all[s.Name]; !still && d.keeper.uses(s.Name) {
			return nil, fmt.Errorf("%s is in a batch that runs and cannot be taken out; give that batch other sensors first, on its page", s.Name)
		}
	}
	return all, nil
}

// ladder is the outbox that tells people, with its channels.
type ladder struct {
	*deliver.Outbox
	rungs []deliver.Rung
	stop  func()
}

// climb tells by these channels from now on. What was being sent comes to its end
// or is sent again; who is to be told of what stands in the journal.
func (d *daemon) climb(ctx context.Context, rungs []deliver.Rung) {
	if old := d.ladder.Load(); old != nil {
		old.stop()
	}
	c := d.conf()
	box := deliver.NewOutbox(&beatingStore{d.journal, &d.pulse}, rungs, deliver.Options{
		Now: d.clock.Now, Location: c.Location(), Logger: d.log, Repeat: deliver.Repeat{First: c.Insist.First, Then: c.Insist.Then},
		AckURL: func(token string) string { return deliver.AckURL(d.publicURL(), token) }, Latest: d.latest,
		Behind: d.behind,
	})
	d.ladder.Store(&ladder{box, rungs, background(ctx, box.Run)})
	box.Wake()
}

// background runs f on a goroutine of its own until stop, which waits for its end.
func background(ctx context.Context, f func(context.Context)) (stop func()) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() { defer close(done); f(ctx) }()
	return func() { cancel(); <-done }
}

// watchFromOutside tells w from now on that the daemon works; nil: nobody.
func (d *daemon) watchFromOutside(ctx context.Context, w *watcher) {
	if old := d.watcher.Load(); old != nil {
		old.stop()
	}
	if w != nil {
		w.stop = background(ctx, w.run)
	}
	d.watcher.Store(w)
}

// newQuiet goes by changed quiet hours. Those of the page hold again where the
// configuration has none any more.
func (d *daemon) newQuiet(ctx context.Context, old, next *config.Config) error {
	before, err1 := json.Marshal(old.Quiet)
	after, err2 := json.Marshal(next.Quiet)
	if err := errors.Join(err1, err2); err != nil || string(before) == string(after) {
		return err
	}
	hours := brewerOptions(next).Quiet
	if next.Quiet == nil {
		var err error
		if hours, err = d.quietOfPage(ctx); err != nil {
			return err
		}
	}
	d.keeper.sleep(hours)
	return nil
}

// setLevel makes the configuration's level that of the log.
func (d *daemon) setLevel(c *config.Config) {
	if d.level == nil {
		return
	}
	level := slog.LevelInfo
	if c.Level != "" {
		_ = level.UnmarshalText([]byte(c.Level)) // checked by the configuration
	}
	d.level.Set(level)
}

// reloadHealth tells of a reload that failed, or left something for a restart.
func (d *daemon) reloadHealth() []page.HealthItem {
	d.again.mu.Lock()
	defer d.again.mu.Unlock()
	var items []page.HealthItem
	if d.again.fault != "" {
		items = append(items, page.HealthItem{
			Code: "configuration", Since: d.again.at,
			Text: "The changed configuration was not taken up; everything is as it was. " + strings.ReplaceAll(d.again.fault, "\n", "; "),
		})
	}
	if len(d.again.later) > 0 {
		items = append(items, page.HealthItem{
			Code: "configuration", Since: d.again.at,
			Text: fmt.Sprintf("%s changed in %s and needs a restart.", strings.Join(d.again.later, ", "), d.again.file),
		})
	}
	return items
}
