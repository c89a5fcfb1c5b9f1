package main

import (
	"context"
	"fmt"
	"time"

	"ebbline/alert"
)

const (
	// mostAwake is how many watches stay in memory, 2 MB each: all of a home or a
	// small brewery, whose card is not written to for it.
	mostAwake = 50
	// roomAtOnce bounds how many are put aside after one turn.
	roomAtOnce = 4
	// shelfRetry is how long a shelf that failed is left alone.
	shelfRetry = 10 * time.Second
)

// stands is the watch's clock, in memory or not; zero: not taken up yet.
func (r *kept) stands() time.Time {
	switch {
	case r.watch != nil:
		return r.watch.Now()
	case r.lies != nil:
		return r.lies.Now
	}
	return time.Time{}
}

// away is 1 for a watch that is not in memory, else 0.
func (r *kept) away() int {
	if r.watch == nil {
		return 1
	}
	return 0
}

// next is when the watch looks next; at once, if it has not been taken up yet.
func (r *kept) next() time.Time {
	switch {
	case r.watch != nil:
		return r.watch.Next()
	case r.lies != nil:
		return r.lies.Next
	}
	return time.Time{}
}

// wake has the watch of a batch in memory.
func (k *keeper) wake(ctx context.Context, id string, r *kept) error {
	if r.watch != nil {
		return nil
	}
	if r.lies == nil {
		return k.takeUp(ctx, id, r)
	}
	w, err := alert.Unpark(r.file.Batch, watchOptions(r.file, k.settings()), k.shelf, r.lies)
	if err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	r.watch = w
	return nil
}

// makeRoom puts those watches aside, beyond the most that stay in memory, that
// are not needed for longest.
func (k *keeper) makeRoom() {
	for range roomAtOnce {
		if time.Now().Before(k.retry) {
			return
		}
		r := k.dispensable()
		if r == nil {
			return
		}
		lies, err := r.watch.Park(k.shelf)
		if err != nil {
			k.retry = time.Now().Add(shelfRetry)
			k.log.Warn("a watch that is not needed now stays in memory", "batch", r.file.Batch.ID, "error", err)
			return
		}
		r.lies.Clear(k.shelf, lies)
		k.mu.Lock()
		r.watch, r.lies = nil, lies
		k.mu.Unlock()
	}
}

// dispensable is the watch whose next look is furthest off; nil: all may stay.
func (k *keeper) dispensable() (last *kept) {
	k.mu.Lock()
	defer k.mu.Unlock()
	awake, furthest := 0, time.Time{}
	for _, r := range k.kept {
		if r.watch == nil || r.unsaid {
			continue
		}
		if awake++; last == nil || r.watch.Next().After(furthest) {
			last, furthest = r, r.watch.Next()
		}
	}
	if awake <= k.most {
		return nil
	}
	return last
}

// crowded is what health says while watches cannot be put aside.
func (k *keeper) crowded() string {
	if err := k.shelf.trouble(); err != nil {
		return fmt.Sprintf("Batches that are not looked at just now cannot be put aside on the disk and stay in memory, 2 MB each, until it is tried again: %v.", err)
	}
	return ""
}
