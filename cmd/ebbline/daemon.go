package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
	"ebbline/ingest/mirror"
	"ebbline/projection"
)

// daemon is everything that serve and demo run, wired together.
type daemon struct {
	cfg     atomic.Pointer[config.Config] // see conf
	begun   *config.Config                // what it was started with
	again   reloaded
	level   *slog.LevelVar // nil: not ours to set
	clock   Clock
	log     *slog.Logger
	started time.Time
	up      time.Time // on the wall clock, when the loops were begun
	demo    bool

	journal   *journal.Journal
	source    broker.Source
	keeper    *keeper
	ladder    atomic.Pointer[ladder]
	look      lookout
	mirror    *mirror.Mirror
	page      *page.Server
	listener  net.Listener
	refusals  *refusalCounts
	healthKey string // see bringsKey; "": nobody has it
	clocks    deviceClocks
	commands  *commander
	answers   *answers
	states    *stateOut
	pulse     pulse
	watcher   atomic.Pointer[watcher] // nil: nobody is told that the daemon works

	sensorMu sync.Mutex
	sensors  map[string]ingest.Sensor // of configuration and batch files
	book     sensorBook               // of the page
	bookLost bool                     // it was changed on the disk
	mapper   atomic.Pointer[ingest.Mapper]
	decodeMu sync.Mutex

	folder    batchFolder
	space     atomic.Pointer[page.HealthItem] // nil: not known yet
	beat      atomic.Int64                    // wall clock of the last round of the watches, µs
	newcomers chan struct{}                   // the channels have changed

	heardMu sync.Mutex
	heard   []chan<- said

	stops []stop
}

// said is what a watch said, for the demo's narrator.
type said struct {
	Batch string
	Event alert.Event
}

// stop ends one room; they are called in the reverse of the order of starting.
type stop struct {
	name string
	do   func() error
}

// startDaemon brings up every room, readings last; on an error those that run
// are stopped. The batches of files are running before the first reading comes.
func startDaemon(ctx context.Context, cfg *config.Config, clock Clock, demo bool, log *slog.Logger, files ...config.BatchFile) (*daemon, error) {
	d := &daemon{
		begun: cfg, clock: clock, log: log, demo: demo, started: clock.Now(),
		sensors: map[string]ingest.Sensor{}, refusals: newRefusalCounts(), folder: newBatchFolder(),
		newcomers: make(chan struct{}, 1),
	}
	d.cfg.Store(cfg)
	for _, start := range []func(context.Context) error{
		d.startJournal, d.listen, d.startWatches, d.startBatches(files), d.startOutbox, d.startMirror, d.startSource, d.startPage, d.startLoops,
	} {
		if err := start(ctx); err != nil {
			return nil, errors.Join(err, d.Close())
		}
	}
	return d, nil
}

func (d *daemon) onStop(name string, do func() error) { d.stops = append(d.stops, stop{name, do}) }

// Close stops every room, last started first.
func (d *daemon) Close() error {
	var errs []error
	for i := len(d.stops) - 1; i >= 0; i-- {
		if err := d.stops[i].do(); err != nil {
			errs = append(errs, fmt.Errorf("stopping the %s: %w", d.stops[i].name, err))
		}
	}
	d.stops = nil
	return errors.Join(errs...)
}

// background runs f until the daemon stops.
func (d *daemon) background(ctx context.Context, name string, f func(context.Context)) {
	stop := background(ctx, f)
	d.onStop(name, func() error { stop(); return nil })
}

func (d *daemon) startJournal(context.Context) error {
	j, err := journal.Open(d.conf().Data, journal.Options{Logger: d.log})
	if err != nil {
		return err // it says what was opened, and where
	}
	d.journal = j
	d.onStop("journal", j.Close)
	return nil
}

// startWatches takes up every running batch of the journal.
func (d *daemon) startWatches(ctx context.Context) error {
	for _, s := range d.conf().Sensors {
		d.sensors[s.Name] = s
	}
	d.keeper = newKeeper(d.journal, d.clock, d.conf().Data, d.conf().Channels(), d.log)
	d.onStop("shelf", d.keeper.shelf.Close)
	d.keeper.options = brewerOptions(d.conf())
	if err := errors.Join(d.openBook(ctx), d.openQuiet(ctx)); err != nil {
		return err
	}
	d.keeper.told = func() {
		if l := d.ladder.Load(); l != nil {
			l.Wake()
		}
	}
	d.keeper.heard = d.pass
	d.keeper.moved = func() { d.pulse.stepped.Store(time.Now().UnixMicro()) }
	d.lookOutward()
	if err := d.commands.begin(ctx); err != nil {
		return err
	}
	batches, err := d.journal.Batches(ctx)
	if err != nil {
		return fmt.Errorf("reading the batches: %w", err)
	}
	batches = slices.DeleteFunc(batches, func(b journal.Batch) bool { return b.Ended != nil })
	if err := d.keeper.openAll(ctx, batches); err != nil {
		return err
	}
	if err := d.keeper.loseChanged(ctx); err != nil {
		return err
	}
	d.describedBy(batches)
	if err := d.compile(); err != nil {
		return err
	}
	return d.warm(ctx)
}

func (d *daemon) startOutbox(ctx context.Context) error {
	rungs, err := newChannels(d.conf())
	if err != nil {
		return err
	}
	d.climb(ctx, rungs)
	d.onStop("outbox", func() error { d.ladder.Load().stop(); return nil })
	return nil
}

func (d *daemon) startMirror(ctx context.Context) error {
	to := d.conf().Mirror.InfluxDB
	if to.URL == "" {
		return nil
	}
	read := func() (string, error) { return config.Secret(to.TokenFile, config.InfluxTokenEnv) }
	token, err := read()
	if err != nil {
		return err
	}
	m := mirror.New(mirror.Config{
		URL: to.URL, Org: to.Org, Bucket: to.Bucket, Token: token, Renew: read,
	}, d.journal, d.log)
	d.mirror = m
	d.background(ctx, "mirror", m.Run)
	return nil
}

// listen takes the page's address, so that links can be made; the page itself
// answers when everything it shows is there.
func (d *daemon) listen(ctx context.Context) error {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", d.conf().Page.Listen)
	if err != nil {
		return inUse("page", d.conf().Page.Listen, fmt.Errorf("listening for the page: %w", err))
	}
	d.listener = listener
	d.onStop("page's address", func() error {
		if err := listener.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})
	return nil
}

// inUse adds to a fault of listening the line of the configuration that changes
// the address.
func inUse(section, listen string, err error) error {
	host, port, bad := net.SplitHostPort(listen)
	n, notNumber := strconv.Atoi(port)
	if bad != nil || notNumber != nil || !errors.Is(err, syscall.EADDRINUSE) {
		return err
	}
	if n++; n > 65535 {
		n -= 2
	}
	return fmt.Errorf("%w; another program, or another ebbline, listens there; choose a free port in the configuration: %s: {listen: %q}", err, section, net.JoinHostPort(host, strconv.Itoa(n)))
}

func (d *daemon) startPage(ctx context.Context) error {
	hash, err := d.passwordHash(ctx)
	if err != nil {
		return err
	}
	d.page, err = page.New(page.Options{
		Journal: d.journal, Actions: d, Health: d.health, Now: d.clock.Now, Location: d.conf().Location(),
		PublicURL: d.conf().Page.PublicURL, Hosts: d.conf().Page.Hosts, Proxies: d.conf().Page.Proxies, PasswordHash: hash, KeepPassword: d.keepPassword, Open: d.demo, Describe: describe, Written: written,
		Units: page.Units{Plato: d.conf().Units.Plato, Fahrenheit: d.conf().Units.Fahrenheit},
		Plan:  planFor, Doubts: doubtsOf, Sensors: d.knownSensors, Channels: d.channelStates, Quiet: d.quietState, Packaging: d.packagingWords, Looking: d.looking, CatchingUp: d.keeper.catchingUp, Unwatched: d.keeper.lostWords,
		Extra: d.endpoints(), Logger: d.log,
	})
	if err != nil {
		return err
	}
	d.drawHealthKey()
	server := &http.Server{ReadHeaderTimeout: 10 * time.Second}
	d.page.Configure(server)
	serve := server.Serve
	if d.conf().Page.CertFile != "" {
		if server.TLSConfig, err = page.TLS("page", d.conf().Page.CertFile, d.conf().Page.KeyFile, d.log); err != nil {
			return err
		}
		serve = func(l net.Listener) error { return server.ServeTLS(l, "", "") }
	}
	go func() {
		if err := serve(d.listener); !errors.Is(err, http.ErrServerClosed) {
			d.log.Error("the page stopped", "error", err)
		}
	}()
	d.onStop("page", func() error {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if err := server.Shutdown(ctx); err != nil {
			return server.Close()
		}
		return nil
	})
	return nil
}

// startBatches starts the batches of files, and of those put into the folder
// while the daemon was away.
func (d *daemon) startBatches(files []config.BatchFile) func(context.Context) error {
	return func(ctx context.Context) error {
		for _, f := range files {
			err := d.createBatch(ctx, f)
			if err == nil {
				err = d.compareFile(ctx, f)
			}
			if errors.Is(err, journal.ErrChanged) {
				continue // health says it, and the other batches are watched
			}
			if err != nil {
				return fmt.Errorf("starting batch %s: %w", f.Batch.Name, err)
			}
		}
		d.folder.given(files, d.begun.Batch)
		d.knownFiles(ctx)
		d.lookIntoFolder(ctx)
		return nil
	}
}

// startLoops begins the watches' rounds and the look into the batches folder.
func (d *daemon) startLoops(ctx context.Context) error {
	d.up = time.Now()
	every := time.Second
	if d.demo {
		every = 20 * time.Millisecond
	}
	d.background(ctx, "watches", func(ctx context.Context) {
		d.keeper.run(ctx, every, func() { d.beat.Store(time.Now().UnixMicro()) })
		d.keeper.rest(ctx)
	})
	d.background(ctx, "memory", saveMemory)
	d.background(ctx, "thinning", d.thinOldReadings)
	d.background(ctx, "batches folder", d.watchFolder)
	d.background(ctx, "states", d.states.run)
	d.background(ctx, "commands", d.commands.run)
	d.background(ctx, "answers", d.answers.run)
	d.cryOut(ctx)
	d.background(ctx, "newcomers", d.greetNewcomers)
	w, err := newWatcher(d, d.conf())
	if err != nil {
		return err
	}
	d.watchFromOutside(ctx, w)
	d.onStop("outside watcher", func() error { d.watchFromOutside(ctx, nil); return nil })
	return nil
}

// publicURL is where links in notifications lead.
func (d *daemon) publicURL() string {
	if d.conf().Page.PublicURL != "" {
		return d.conf().Page.PublicURL
	}
	addr := d.listener.Addr().(*net.TCPAddr)
	host := addr.IP.String()
	if addr.IP.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			host = name
		}
	}
	scheme := "http://"
	if d.conf().Page.CertFile != "" {
		scheme = "https://"
	}
	return scheme + net.JoinHostPort(host, strconv.Itoa(addr.Port))
}

// pass hands what was said to whoever listens.
func (d *daemon) pass(batch string, events []alert.Event) {
	d.heardMu.Lock()
	defer d.heardMu.Unlock()
	for _, e := range events {
		for _, ch := range d.heard {
			select {
			case ch <- said{batch, e}:
			default: // a slow listener loses words, never the daemon its pace
			}
		}
	}
}

// hear gives what every watch says from here on.
func (d *daemon) hear() <-chan said {
	ch := make(chan said, 1024)
	d.heardMu.Lock()
	defer d.heardMu.Unlock()
	d.heard = append(d.heard, ch)
	return ch
}

// mqttAddr is where the embedded broker listens, empty with an external one.
func (d *daemon) mqttAddr() string {
	if e, ok := d.source.(*broker.Embedded); ok {
		return e.Addr()
	}
	return ""
}

// written are the samples that stand in a batch's file.
func written(b journal.Batch) ([]projection.Sample, error) {
	file, err := config.DecodeSpec(b.Spec)
	return file.Samples, err
}

// describe reads what the journal keeps of a batch as the batch it describes.
func describe(b journal.Batch) (projection.Batch, error) {
	file, err := config.DecodeSpec(b.Spec)
	return file.Batch, err
}
