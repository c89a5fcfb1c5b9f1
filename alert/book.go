package alert

import (
	"slices"
	"sort"
	"time"
)

// finding is what a judge found about one possible alert at one moment. Between
// holds and clears lies the hysteresis: an alert in it stays as it is.
type finding struct {
	kind    Kind
	subject string // tells several of a kind apart: a sensor, a lead
	holds   bool   // it is to be told
	after   time.Duration
	clears  bool // it no longer holds
	calm    time.Duration
	// past closes it because something else took its place; it is not told
	// again until it clears.
	past     bool
	why      string // it was resolved
	severity Severity
	// atNight tells it in quiet hours although it is not urgent.
	atNight bool
	// blind: no gravity of the batch is known yet but the one at pitch.
	blind bool
	cause string // it is raised, for the record
	// anew says that what it says is true now, though it is told already or the
	// hysteresis has it that it would not be raised.
	anew bool
	// by and sd are the crash's time that it tells, for crash-soon.
	by  time.Time
	sd  time.Duration
	say func() (title, message string)
}

// hushed reports whether the finding waits for the end of quiet hours: what is
// urgent does not, and neither does what the morning would find worse.
func (f *finding) hushed() bool { return f.severity != Urgent && !f.atNight }

// entry is what became of one possible alert.
type entry struct {
	N      int  // occurrence of the kind when it was last told
	Told   bool // and not cleared since
	Open   bool // told, neither cleared nor past
	Holds  time.Time
	Clears time.Time
	Times  int // told so far
	// By and SD are the crash's time and its spread that were last told.
	By time.Time
	SD time.Duration
	// Blind: it was told blindly, and no look that is not blind has found it since.
	Blind bool
}

// book holds an entry for each kind and subject, and the last occurrence of
// each kind.
type book struct {
	Entries map[string]*entry
	Counts  map[Kind]int
}

func newBook() book { return book{Entries: map[string]*entry{}, Counts: map[Kind]int{}} }

func keyOf(kind Kind, subject string) string { return string(kind) + "/" + subject }

// of is the entry of a kind and subject; an empty one if nothing was found yet.
func (b book) of(kind Kind, subject string) entry {
	if e := b.Entries[keyOf(kind, subject)]; e != nil {
		return *e
	}
	return entry{}
}

// open reports whether any alert of this kind is open.
func (b book) open(kind Kind) bool {
	for key, e := range b.Entries {
		if e.Open && kindOf(key) == kind {
			return true
		}
	}
	return false
}

func kindOf(key string) Kind {
	for i := range key {
		if key[i] == '/' {
			return Kind(key[:i])
		}
	}
	return Kind(key)
}

// total is how many alerts were raised.
func (b book) total() (n int) {
	for _, c := range b.Counts {
		n += c
	}
	return n
}

// newest is the entry of a kind that was told last.
func (b book) newest(kind Kind) (last entry) {
	for key, e := range b.Entries {
		if kindOf(key) == kind && e.N > last.N {
			last = *e
		}
	}
	return last
}

// subjects are the keys of what is open, in order.
func (b book) subjects() []string {
	var open []string
	for key, e := range b.Entries {
		if e.Open {
			open = append(open, key)
		}
	}
	sort.Strings(open)
	return open
}

// forever is longer than any batch.
const forever = time.Duration(1<<63 - 1)

// apply enters the findings and says what was raised and resolved by them. In
// quiet hours what is hushed waits, and is told at the first look after them if
// it still holds.
func (b book) apply(now time.Time, found []finding, quiet bool) []Event {
	var said []Event
	for _, f := range found {
		key := keyOf(f.kind, f.subject)
		e := b.Entries[key]
		if e == nil {
			if !f.holds {
				continue
			}
			e = &entry{}
			b.Entries[key] = e
		}
		after := f.after
		if quiet && f.hushed() {
			after = forever
		}
		if lasts(f.holds && !e.Told, &e.Holds, now, after) {
			said = append(said, b.tell(now, e, &f))
			continue
		}
		e.Blind = e.Blind && (f.blind || !f.holds)
		clear := lasts(f.clears && e.Told, &e.Clears, now, f.calm)
		if e.Open && (clear || f.past) {
			e.Open = false
			said = append(said, Event{Time: now, Resolved: &Resolved{Kind: f.kind, N: e.N, Why: f.why}})
		}
		if clear {
			e.Told = false
		}
	}
	return said
}

// tell raises an alert.
func (b book) tell(now time.Time, e *entry, f *finding) Event {
	b.Counts[f.kind]++
	e.N, e.Told, e.Open, e.Times = b.Counts[f.kind], true, true, e.Times+1
	e.By, e.SD, e.Blind = f.by, f.sd, f.blind
	title, message := f.say()
	return Event{Time: now, Alert: &Alert{
		Kind: f.kind, N: e.N, Severity: f.severity, Title: title, Message: message, Cause: f.cause,
	}}
}

// lasts reports whether cond has held for d; since is when it began to.
func lasts(cond bool, since *time.Time, now time.Time, d time.Duration) bool {
	if !cond {
		*since = time.Time{}
		return false
	}
	if since.IsZero() {
		*since = now
	}
	if now.Sub(*since) < d {
		return false
	}
	*since = time.Time{}
	return true
}

// closeAll resolves what is open, in the order of the keys, but for the alerts
// among the events just said.
func (b book) closeAll(now time.Time, why string, but []Event) []Event {
	var said []Event
	for _, key := range b.subjects() {
		e := b.Entries[key]
		just := slices.ContainsFunc(but, func(s Event) bool {
			return s.Alert != nil && s.Alert.Kind == kindOf(key) && s.Alert.N == e.N
		})
		if !just {
			e.Open = false
			said = append(said, Event{Time: now, Resolved: &Resolved{Kind: kindOf(key), N: e.N, Why: why}})
		}
	}
	return said
}
