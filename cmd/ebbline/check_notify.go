package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
)

// tryLimit bounds a test message beyond the channels' own limits.
const tryLimit = 45 * time.Second

// tryChannels sends a test message by every channel of the configurations, all
// at once, and says in plain words what became of each.
func tryChannels(out io.Writer, files []*checked) error {
	var ladder []deliver.Rung
	for _, f := range files {
		if f.config == nil {
			continue
		}
		rungs, err := newChannels(f.config)
		if err != nil {
			return err
		}
		ladder = append(ladder, rungs...)
	}
	if len(ladder) == 0 {
		return usageError{errors.New("no channel to try: add notify: with an ntfy, webhook, mail or shoutrrr to the configuration")}
	}
	ctx, cancel := context.WithTimeout(context.Background(), tryLimit)
	defer cancel()
	faults := make([]error, len(ladder))
	var tries sync.WaitGroup
	for i, r := range ladder {
		tries.Go(func() { faults[i] = deliver.Try(ctx, r, time.Now()) })
	}
	tries.Wait()
	w, failed := &lines{out: out}, 0
	for i, r := range ladder {
		if faults[i] != nil {
			failed++
			w.line("%s did not take the test message: %s.", r.Name(), deliver.Plain(faults[i]))
			continue
		}
		w.line("%s took the test message. Look whether it reached you: taken is not seen.", r.Name())
	}
	if w.err != nil {
		return fmt.Errorf("writing what became of the test messages: %w", w.err)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %s did not take the test message; see above", failed, plural(len(ladder), "channel"))
	}
	return nil
}

// describeChannels says who is told what and when. A URL may be a secret, so
// none is shown.
func describeChannels(w *lines, channels []config.Channel) {
	for _, c := range channels {
		what := "everything"
		switch {
		case len(c.Severities) > 0:
			what = strings.Join(c.Severities, " and ")
		case c.Second:
			what = "urgent"
		}
		if c.After > 0 {
			what += fmt.Sprintf(" if unanswered for %s", config.Span(c.After))
		}
		if c.Second {
			what += ", and all that those before it do not get through"
		}
		w.line("  notify by %s%s: %s", c.Kind, when(c.Name != c.Kind, ", called "+c.Name), what)
	}
	if len(channels) == 0 {
		w.line("  nobody is notified: add notify: with an ntfy, webhook, mail or shoutrrr")
	}
}
