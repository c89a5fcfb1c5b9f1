package journal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
)

// ErrChanged means that a row of the record, or the file as a whole, is not what
// was written: nothing in it may be believed.
var ErrChanged = errors.New("the record is damaged")

// damage is what is not as it was written.
type damage struct {
	found  string // "" if it is the file as a whole
	strike bool   // it is nothing but entries that the page strikes out
	gone   bool   // the file is not there
	cause  error  // SQLite's own, for programs
}

// strikeAdvice is what a person does first where it helps.
const strikeAdvice = "strike it out or correct it on the page of its batch (“Correct or strike out an entry”). Nothing else is lost by that. If that cannot be done: "

// restoreAdvice is what a person does about a damaged record.
const restoreAdvice = "stop the daemon, move the file away and keep it, and restore a backup (ebbline restore --help says how)"

// goneAdvice is what a person does about a record that is not there.
const goneAdvice = "look for it (is its disk there, was it moved?) and put it back, or restore a backup (ebbline restore --help says how). " +
	"A start without it begins a new record, says so, and knows only the batches that stand in files"

func (d *damage) what() string {
	switch {
	case d.gone:
		return "the record is gone (" + d.found + ")"
	case d.found == "":
		return "the record is damaged"
	}
	return "the record is damaged (" + d.found + ")"
}

func (d *damage) Error() string {
	switch {
	case d.gone:
		return d.what() + ": " + goneAdvice
	case d.strike:
		return d.what() + ": " + strikeAdvice + restoreAdvice
	}
	return d.what() + ": " + restoreAdvice
}

func (d *damage) Unwrap() error { return d.cause }

// Is says that all damage is ErrChanged.
func (d *damage) Is(target error) bool { return target == ErrChanged }

// wholeRow reads a row whose last column says whether it is what was written.
func wholeRow(row scanner, what func() string, into ...any) error {
	var whole bool
	err := row.Scan(append(into, &whole)...)
	if err == nil && !whole {
		err = &damage{found: what() + " is not what was written"}
	}
	return err
}

// otherCopy turns what is wrong with a copy into what to do about a copy.
func otherCopy(err error) error {
	var d *damage
	if !errors.As(err, &d) {
		return err
	}
	return errors.New(strings.Replace(d.what(), "the record", "this copy", 1) + ": choose another one")
}

// findings are what was found changed since opening.
type findings struct {
	mu  sync.Mutex
	all map[string]bool
	log *slog.Logger
}

// mostRemembered bounds them: who has so many has a disk to replace.
const mostRemembered = 100

func (f *findings) add(what string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.all == nil {
		f.all = map[string]bool{}
	}
	if len(f.all) < mostRemembered && !f.all[what] {
		f.log.Error("the disk has changed what was recorded", "what", what)
		f.all[what] = true
	}
}

// noted remembers the damage that an error tells of.
func (j *Journal) noted(err error) error {
	var d *damage
	if errors.As(err, &d) && d.found != "" {
		j.found.add(d.found)
	}
	return err
}

// forget drops what was put right.
func (f *findings) forget(prefix string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	maps.DeleteFunc(f.all, func(what string, _ bool) bool { return strings.HasPrefix(what, prefix) })
}

// StrikeKey is the Key of the entry that strikes out another one: each is struck
// out once. Of a changed entry it says that nothing rests on it any more.
func StrikeKey(seq int64) string { return fmt.Sprintf("strike %d", seq) }

// putRight is SQL for whether entry e is struck out, by an entry that is sound.
func putRight(e string) string {
	return "EXISTS (SELECT 1 FROM entry AS k WHERE k.batch = " + e + ".batch AND k.key = 'strike ' || " + e + ".seq AND k.kind = 'struck' AND " + holds("entry", "k") + ")"
}

// RestedOn tells of what Damaged lists whether a watch rests on it: an entry, the
// description or a sensor of a batch.
func RestedOn(what string) bool {
	return strings.HasPrefix(what, "entry ") || strings.HasPrefix(what, "the description of batch ") || strings.HasPrefix(what, "sensor ")
}

// Strikable tells of what Damaged lists whether the page strikes it out while its
// batch runs: strikableEntries, in words.
func Strikable(what string) bool {
	return strings.HasPrefix(what, "entry ") && (strings.Contains(what, " (a hand sample) ") || strings.Contains(what, " (a note) ") || strings.Contains(what, " (the start of the crash) "))
}

// lookAtSmall notes what of the small tables is not what was written, whether or
// not anybody will ask for it. The large ones, a row of a watch or an hour of
// readings each, are looked at as they are read, and by Check.
func (j *Journal) lookAtSmall(ctx context.Context) error {
	large := []string{"hour", "event", "watch", "refusal"}
	for _, s := range summedV4() {
		if slices.Contains(large, s.table) {
			continue
		}
		found, err := s.changed(ctx, j.read)
		if err != nil {
			return err
		}
		for _, what := range found {
			j.found.add(what)
		}
	}
	return nil
}

// Damaged lists what was found changed on the disk since opening, in plain words:
// none of it is given as a value by any method.
func (j *Journal) Damaged() []string {
	j.found.mu.Lock()
	defer j.found.mu.Unlock()
	return slices.Sorted(maps.Keys(j.found.all))
}
