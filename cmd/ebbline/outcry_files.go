package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
)

// filePatience is how long a batch file must be as it is before the phone is told:
// an editor may have left half of it.
const filePatience = 3 * time.Minute

// fileCry tells the phone, once each, of batch files that cannot be used, and of those
// that say other than what is watched. What is no more is told anew should it come
// again, but not after a mere start.
type fileCry struct {
	d             *daemon
	severity      alert.Severity
	told, telling []string
	read          bool
	now           func() time.Time
}

func (d *daemon) fileOutcry(severity alert.Severity, now func() time.Time) *outcry {
	c := &fileCry{d: d, severity: severity, now: now}
	return &outcry{
		kind: "cannot-watch", title: "A batch file is not followed", severity: severity,
		meaning: "Beer is watched by other figures than you wrote down, or not at all.", problem: c.problem, done: c.done,
	}
}

// key is where the journal keeps what was told: a list.
func (c *fileCry) key() string { return "batch files told, " + string(c.severity) }

func (c *fileCry) problem(ctx context.Context) string {
	if !c.read {
		raw, ok, err := c.d.journal.Get(ctx, c.key())
		if err == nil && ok {
			err = json.Unmarshal([]byte(raw), &c.told)
		}
		if err != nil && ctx.Err() == nil {
			c.d.log.Warn("what was told of batch files is not known and may be told again", "error", err)
		}
		c.read = ctx.Err() == nil
	}
	var found, texts []string
	c.telling = nil
	for _, t := range c.d.fileTroubles() {
		if t.severity != c.severity {
			continue
		}
		found = append(found, t.key)
		if !slices.Contains(c.told, t.key) && c.now().Sub(t.since) >= filePatience {
			c.telling, texts = append(c.telling, t.key), append(texts, t.text)
		}
	}
	if kept := slices.DeleteFunc(slices.Clone(c.told), func(key string) bool { return !slices.Contains(found, key) }); len(kept) < len(c.told) {
		c.keep(ctx, kept)
	}
	asleep := alert.State{Quiet: c.d.keeper.settings().Quiet, Location: c.d.conf().Location()}
	if now := c.d.clock.Now(); len(texts) == 0 || c.severity != alert.Urgent && asleep.Awake(now).After(now) {
		return ""
	}
	const most = 3
	if n := len(texts) - most; n > 0 {
		texts = append(texts[:most], fmt.Sprintf("And of %d more; see Health on the page.", n))
	}
	return strings.Join(texts, "\n")
}

func (c *fileCry) done(ctx context.Context) { c.keep(ctx, append(c.told, c.telling...)) }

// keep notes what was told. What is in memory holds if that cannot be written.
func (c *fileCry) keep(ctx context.Context, told []string) {
	c.told = told
	raw, err := json.Marshal(told)
	if err == nil {
		err = c.d.journal.Set(ctx, c.key(), string(raw))
	}
	if err != nil {
		c.d.log.Warn("what was told of batch files is told again after a start", "error", err)
	}
}
