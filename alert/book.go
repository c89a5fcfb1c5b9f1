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
	say      func() (title, message string)
}

// entry is what became of one possible alert.
type entry struct {
	N      int  // occurrence of the kind when it was last told
	Told   bool // and not cleared since
	Open   bool // told, neither cleared nor past
	Holds  time.Time
	Clears time.Time
	Times  int // told so far
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

// apply enters the findings and says what was raised and resolved by them.
func (b book) apply(now time.Time, found []finding) []Event {
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
		if lasts(f.holds && !e.Told, &e.Holds, now, f.after) {
			b.Counts[f.kind]++
			e.N, e.Told, e.Open, e.Times = b.Counts[f.kind], true, true, e.Times+1
			title, message := f.say()
			said = append(said, Event{Time: now, Alert: &Alert{
				Kind: f.kind, N: e.N, Severity: f.severity, Title: title, Message: message,
			}})
			continue
		}
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
	var keys []string
	for key, e := range b.Entries {
		just := slices.ContainsFunc(but, func(s Event) bool {
			return s.Alert != nil && s.Alert.Kind == kindOf(key) && s.Alert.N == e.N
		})
		if e.Open && !just {
			keys = append(keys, key)
		}
	}
	sort.Strings(keys)
	var said []Event
	for _, key := range keys {
		e := b.Entries[key]
		e.Open = false
		said = append(said, Event{Time: now, Resolved: &Resolved{Kind: kindOf(key), N: e.N, Why: why}})
	}
	return said
}
