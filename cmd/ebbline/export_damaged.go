package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// leftOut says what an export lacks, for the disk has changed it; nil: nothing.
func leftOut(found []string) error {
	if len(found) == 0 {
		return nil
	}
	for i, what := range found {
		switch {
		case strings.HasPrefix(what, "the description of batch"):
			found[i] += " (without it its readings are not written)"
		case strings.Contains(what, "(other sensors)"):
			found[i] += " (without it what those sensors read is not written)"
		}
	}
	return errors.New("not everything is exported: the disk has changed " + fmt.Sprint(len(found)) + " of what was recorded, which is left out: " + strings.Join(found, "; ") +
		". All else is written. To have these too, export them from a backup (ebbline restore puts it into another data folder)")
}

// entries writes what was entered for a batch of which the description was
// changed on the disk: its readings cannot be told from others.
func (x *exporter) entries(w io.Writer) error {
	all, err := x.journal.SoundEntries(x.ctx, x.id)
	if err != nil || len(all) == 0 {
		return err
	}
	x.clock = all[0].Entered
	for _, e := range all {
		if err := x.line(w, x.moment(e.Entered, time.Time{}), entryTopic, asExported(e)); err != nil {
			return err
		}
	}
	return nil
}
