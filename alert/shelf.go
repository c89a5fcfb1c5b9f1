package alert

import (
	"fmt"
	"slices"
	"time"

	"ebbline/projection"
)

// Shelf keeps parts of watches outside of memory. Parts do not change: what a
// watch has put there once it does not put again.
type Shelf interface {
	// Put keeps a part and names it by a number above zero.
	Put(part []byte) (int64, error)
	// Get is the part of that name, or an error if it is not what was put.
	Get(name int64) ([]byte, error)
	// Drop lets go of parts.
	Drop(names ...int64)
}

// Parked is a watch that lies on a shelf.
type Parked struct {
	// Now and Next are those of the watch.
	Now, Next time.Time

	head  int64
	parts []int64 // all, the head among them
}

// Park puts the watch on a shelf, its copies for late readings too: unlike a
// snapshot it is good for this run of the program only. The watch itself is not
// to be used afterwards.
func (w *Watch) Park(s Shelf) (p *Parked, err error) {
	if w.fault != nil {
		return nil, w.fault
	}
	p = &Parked{Now: w.now, Next: w.Next()}
	var put []int64
	defer func() {
		if err != nil {
			s.Drop(put...)
			p, err = nil, fmt.Errorf("putting the watch of batch %s aside: %w", w.batch.ID, err)
		}
	}()
	keep := func(data []byte, err error) (int64, error) {
		if err != nil {
			return 0, err
		}
		name, err := s.Put(data)
		if err == nil {
			put = append(put, name)
		}
		return name, err
	}
	newest := int64(0) // where the course's own belief lies
	one := func(c course) (savedCourse, error) {
		out := savedCourse{At: c.at, Trail: inJSON[trail]{c.trail}}
		lies, there := c.belief.(*shelved)
		switch {
		case c.belief == nil || c.at.Equal(w.batch.PitchedAt):
			return out, nil
		case there:
			out.Part = lies.part
		case newest != 0 && c.at.Equal(w.course.at): // a copy that was made just now
			out.Part = newest
		default:
			if out.Part, err = keep(c.belief.MarshalBinary()); err != nil {
				return out, err
			}
			if newest == 0 {
				newest = out.Part
			}
		}
		if !slices.Contains(p.parts, out.Part) {
			p.parts = append(p.parts, out.Part)
		}
		return out, nil
	}
	if p.head, err = keep(w.save(w.past.anchors, w.past.recent, one)); err != nil {
		return nil, err
	}
	p.parts = append(p.parts, p.head)
	return p, nil
}

// Clear lets the shelf drop what was parked, but for what is part of now as
// well. Both may be nil.
func (p *Parked) Clear(s Shelf, now *Parked) {
	if p == nil {
		return
	}
	s.Drop(slices.DeleteFunc(slices.Clone(p.parts), func(name int64) bool {
		return now != nil && slices.Contains(now.parts, name)
	})...)
}

// Unpark takes a watch up from the shelf. What it lay in must stay there until
// it is parked again or no longer used.
func Unpark(b projection.Batch, o Options, s Shelf, p *Parked) (*Watch, error) {
	data, err := s.Get(p.head)
	if err != nil {
		return nil, fmt.Errorf("taking up the watch of batch %s: %w", b.ID, err)
	}
	return restoreWatch(b, o, data, s)
}

// Fault is why the watch could not read what it had put aside; what it says
// from then on lacks a late input. Nil while all is well.
func (w *Watch) Fault() error { return w.fault }

// shelved is a belief that lies on a shelf, good for its bytes only.
type shelved struct {
	belief // none: nothing else is asked of it
	part   int64
	shelf  Shelf
}

// MarshalBinary reads it from the shelf.
func (s *shelved) MarshalBinary() ([]byte, error) { return s.shelf.Get(s.part) }

// taken is a copy of an earlier moment to go on from.
func (w *Watch) taken(c course) (course, error) {
	switch b := c.belief.(type) {
	case nil: // at the pitch
		c.belief = w.begun()
	case *shelved:
		data, err := b.MarshalBinary()
		if err != nil {
			return c, err
		}
		if c.belief, err = w.opts.believe.restore(w.pitched, data); err != nil {
			return c, err
		}
	default:
		return c.copied(), nil
	}
	return c, nil
}
