package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"time"

	"ebbline/alert"
)

// soakHeader names the columns of a round's line.
const soakHeader = " round      after  readings   rings  commands  states  goroutines  heap MB   RSS MB  bytes/reading"

const (
	// soakWarmUp is the round whose figures the later ones are held against.
	soakWarmUp = 2
	// What may be added to them: goroutines, the heap and the resident memory in
	// MB, and by how much more a reading may take. A round lasts some minutes: one
	// goroutine lost in each is noticed within the hour.
	goroutinesMore, heapMore, residentMore = 10, 16.0, 64.0
	bytesMore                              = 1.25
	// booksPatience bounds the wait for what is on its way at the end of a round.
	booksPatience = 30 * time.Second
)

// books count what went into the daemon and what came out of it.
type books struct {
	phone  string // the webhook's address
	server *http.Server

	mu       sync.Mutex
	readings int64             // values published and acknowledged
	rings    map[string]int    // by delivery: how often it came
	commands map[string]int    // by topic, in this round
	states   map[string]string // by topic: the last stage
	told     int               // states in this round
	fault    error             // the first payload that could not be read

	first figures // of the round soakWarmUp
}

// figures are what must not grow.
type figures struct {
	goroutines           int
	heap, resident       float64 // MB
	readings, fileBytes  int64
	bytesReading         float64
	ringsSoFar, commands int
	states               int
}

// openBooks starts the phone.
func openBooks(ctx context.Context) (*books, error) {
	b := &books{rings: map[string]int{}, commands: map[string]int{}, states: map[string]string{}}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("starting the phone: %w", err)
	}
	b.phone = "http://" + l.Addr().String() + "/"
	b.server = &http.Server{ReadHeaderTimeout: 10 * time.Second, Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		b.mu.Lock()
		defer b.mu.Unlock()
		b.rings[r.Header.Get("Ebbline-Delivery")]++
	})}
	go func() { _ = b.server.Serve(l) }() // ends with close
	return b, nil
}

func (b *books) close() error { return b.server.Close() }

// published counts the values of a payload that was acknowledged.
func (b *books) published(payload []byte) error {
	var p map[string]any
	if err := json.Unmarshal(payload, &p); err != nil {
		return err
	}
	delete(p, "ts")
	b.mu.Lock()
	defer b.mu.Unlock()
	b.readings += int64(len(p))
	return nil
}

// heard takes a state or a command.
func (b *books) heard(topic string, payload []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if strings.HasPrefix(topic, "switch/") {
		b.commands[topic]++
		return
	}
	var doc stateDoc
	if err := json.Unmarshal(payload, &doc); err != nil && b.fault == nil {
		b.fault = fmt.Errorf("a state cannot be read: %w", err)
	}
	b.states[topic] = doc.Stage
	b.told++
}

// close4 closes the account of a round: what is on its way may arrive, then
// everything must be there once.
func (b *books) close4(ctx context.Context, d *daemon, vats []*vat, round int, after time.Duration) (string, error) {
	deadline := time.Now().Add(booksPatience)
	err := b.settle(ctx, d, vats)
	for err != nil && time.Now().Before(deadline) && ctx.Err() == nil {
		time.Sleep(200 * time.Millisecond)
		// The story's clock stands still between two rounds; what waits for it to
		// go on, such as a state's minute, is let go on.
		d.clock.(*steppedClock).set(d.clock.Now().Add(time.Minute))
		err = b.settle(ctx, d, vats)
	}
	f, measured := b.measure(d)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.commands, b.states, b.told = map[string]int{}, map[string]string{}, 0
	row := fmt.Sprintf("%6d %10v %9d %7d %9d %7d %11d %8.1f %8.1f %14.1f", round, after.Round(time.Second),
		f.readings, f.ringsSoFar, f.commands, f.states, f.goroutines, f.heap, f.resident, f.bytesReading)
	if round == soakWarmUp {
		b.first = f
	}
	if round > soakWarmUp {
		err = errors.Join(err, f.grew(b.first))
	}
	return row, errors.Join(err, measured, b.fault)
}

// settle says what is missing or doubled, or nil.
func (b *books) settle(ctx context.Context, d *daemon, vats []*vat) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if stored := d.journal.Stats().Readings; stored != b.readings {
		return fmt.Errorf("%d values were acknowledged and %d are in the journal", b.readings, stored)
	}
	if n := d.journal.Stats().Diverged; n != 0 {
		return fmt.Errorf("%d events were said again with other words", n)
	}
	for delivery, n := range b.rings {
		if n > 1 {
			return fmt.Errorf("the phone rang %d times for %s", n, delivery)
		}
	}
	for i, v := range vats {
		if stage := b.states[stateTopic(v.id)]; stage != stagePackaged {
			return fmt.Errorf("the state of %s stays %q", v.name, stage)
		}
		if err := b.oneEach(ctx, d, i, v); err != nil {
			return err
		}
	}
	return nil
}

// oneEach wants each alert of a batch told, and at most one command for each
// crash-now: a brewer who is quicker than the command makes it needless.
func (b *books) oneEach(ctx context.Context, d *daemon, i int, v *vat) error {
	alerts, err := d.journal.Alerts(ctx, v.id, false)
	if err != nil {
		return err
	}
	due := 0
	for _, a := range alerts {
		if a.Kind == string(alert.CrashNow) {
			due++
		}
		deliveries, err := d.journal.Deliveries(ctx, a.ID)
		if err != nil {
			return err
		}
		for _, t := range deliveries {
			key := fmt.Sprintf("%s#%d", a.ID, t.N)
			if t.Outcome == "accepted" && b.rings[key] != 1 {
				return fmt.Errorf("%s counts as told and came %d times", key, b.rings[key])
			}
		}
	}
	if n := b.commands[soakSwitch(i)]; n > due {
		return fmt.Errorf("%s was sent %d commands for %d crash-now", v.name, n, due)
	}
	return nil
}

// measure takes the figures once the garbage is out.
func (b *books) measure(d *daemon) (figures, error) {
	debug.FreeOSMemory()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	js := d.journal.Stats()
	resident, err := residentMB()
	b.mu.Lock()
	defer b.mu.Unlock()
	f := figures{
		goroutines: runtime.NumGoroutine(), heap: float64(m.HeapAlloc) / 1e6, resident: resident,
		readings: js.Readings, fileBytes: js.FileBytes, ringsSoFar: len(b.rings), states: b.told,
	}
	f.bytesReading = float64(f.fileBytes) / float64(max(f.readings, 1))
	for _, n := range b.commands {
		f.commands += n
	}
	return f, err
}

// residentMB is this process's resident memory (proc(5), Linux only).
func residentMB() (float64, error) {
	raw, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0, fmt.Errorf("reading the resident memory: %w", err)
	}
	fields := strings.Fields(string(raw))
	if len(fields) < 2 {
		return 0, fmt.Errorf("reading the resident memory: %q", raw)
	}
	pages, err := strconv.Atoi(fields[1])
	return float64(pages*os.Getpagesize()) / 1e6, err
}

// predict is the size of the record in bytes when it holds so many readings. What
// a batch leaves behind is proportional to its readings: they come at a steady
// pace, and so do looks.
func (f figures) predict(readings int64) float64 {
	return f.bytesReading * float64(readings)
}

// grew says what has grown since the warm-up, or nil.
func (f figures) grew(first figures) error {
	var faults []error
	if f.goroutines > first.goroutines+goroutinesMore {
		faults = append(faults, fmt.Errorf("goroutines grew from %d to %d", first.goroutines, f.goroutines))
	}
	if f.heap > first.heap+heapMore {
		faults = append(faults, fmt.Errorf("the heap grew from %.1f to %.1f MB", first.heap, f.heap))
	}
	if f.resident > first.resident+residentMore {
		faults = append(faults, fmt.Errorf("the resident memory grew from %.1f to %.1f MB", first.resident, f.resident))
	}
	if want := first.predict(f.readings); float64(f.fileBytes) > want*bytesMore {
		faults = append(faults, fmt.Errorf("the record takes %.1f MB, not %.1f as %d readings let expect", float64(f.fileBytes)/1e6, want/1e6, f.readings))
	}
	return errors.Join(faults...)
}
