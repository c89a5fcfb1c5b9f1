package main

import (
	"ebbline/cmd/ebbline/config"
	"ebbline/projection/gravity"
)

// describeOutward is the dry run: what would be sent, and to where. It sends
// nothing.
func describeOutward(w *lines, c *config.Config) {
	if c.Alive.On() { // the URL may be a secret
		w.line("  an outside watcher is pinged every %s while everything works", config.Span(c.Alive.Every))
	}
	for i := range c.OnCrashNow {
		cmd := &c.OnCrashNow[i]
		w.line("  %s", cmd.DryRun())
		if c.Batch != nil && c.Command(c.Batch.Batch) == cmd {
			w.line("    that is batch %s", c.Batch.Batch.Name)
		}
	}
	if len(c.OnCrashNow) > 0 {
		for _, text := range gravity.Cautions(gravity.Switching) {
			w.line("    %s", text)
		}
	}
}
