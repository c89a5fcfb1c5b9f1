package main

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/ingest/journal"
)

const (
	// changedKey is where the journal keeps what was told of it: a list.
	changedKey = "damage told"
	// changedPatience lets a start find all of it, and let go of batches that cannot
	// be watched: those are told by cannot-watch itself.
	changedPatience = time.Minute
)

// changed tells the phone, once, of what running batches rest on and the disk has
// changed after they had read it. Nothing is wrong yet: it waits for the morning.
type changed struct {
	d             *daemon
	told, telling []string
}

func (d *daemon) changedOutcry() *outcry {
	c := &changed{d: d}
	return &outcry{
		kind: "cannot-watch", title: "The disk has changed the record", patience: changedPatience, severity: alert.Warning,
		meaning: "Every batch goes on by what ebbline had read before, and alerts come when they are due.", problem: c.problem, done: c.done,
	}
}

// found is what is changed of batches that are watched.
func (c *changed) found() []string {
	all := slices.DeleteFunc(c.d.journal.Damaged(), func(what string) bool { return !journal.RestedOn(what) })
	if len(all) == 0 {
		return nil
	}
	running := c.d.keeper.ids()
	return slices.DeleteFunc(all, func(what string) bool {
		return !slices.ContainsFunc(running, func(id string) bool { return strings.HasSuffix(what, " batch "+id+" is not what was written") })
	})
}

func (c *changed) problem(ctx context.Context) string {
	found := c.found()
	c.telling = nil
	if len(found) == 0 && c.told != nil && len(c.told) == 0 {
		return ""
	}
	if raw, ok, err := c.d.journal.Get(ctx, changedKey); err == nil && ok {
		var before []string
		if json.Unmarshal([]byte(raw), &before) == nil {
			c.told = append(c.told, before...)
		}
	}
	slices.Sort(c.told)
	c.told = slices.Compact(c.told)
	there := slices.DeleteFunc(slices.Clone(c.told), func(what string) bool { return !slices.Contains(found, what) })
	if len(there) < len(c.told) { // put right, or its batch is over
		c.keep(ctx, there)
	}
	c.told = append([]string{}, there...)
	for _, what := range found {
		if !slices.Contains(c.told, what) {
			c.telling = append(c.telling, what)
		}
	}
	asleep := alert.State{Quiet: c.d.keeper.settings().Quiet, Location: c.d.conf().Location()}
	if now := c.d.clock.Now(); len(c.telling) == 0 || asleep.Awake(now).After(now) {
		return ""
	}
	text := "Changed: " + strings.Join(c.telling, "; ") + ". " + putRightWords(c.telling, c.d.keeper.unended())
	if slices.ContainsFunc(c.telling, func(what string) bool { return !strings.HasPrefix(what, "entry ") }) {
		text = "A batch whose description has changed is watched until the next start only. " + text
	}
	return text
}

func (c *changed) done(ctx context.Context) {
	c.told = append(c.told, c.telling...)
	c.keep(ctx, c.told)
}

// keep notes what was told, so that the next start does not tell it again. What is
// in memory holds if that cannot be written.
func (c *changed) keep(ctx context.Context, told []string) {
	raw, err := json.Marshal(told)
	if err == nil {
		err = c.d.journal.Set(ctx, changedKey, string(raw))
	}
	if err != nil {
		c.d.log.Warn("what was told of a changed record is told again after a start", "error", err)
	}
}
