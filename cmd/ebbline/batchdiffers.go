package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
)

// A batch goes by what its file said when it was begun: to change a ceiling or an
// original gravity under a running watch would make what it has said, and what stands
// in the record, the words of another batch. So a file that says otherwise by now is
// told of, with the way to have the batch watched by it.

// differences are what the file of a running batch says otherwise than what the batch
// is watched by; none if it does not run.
func (d *daemon) differences(ctx context.Context, file config.BatchFile) ([]config.Difference, error) {
	b, err := d.journal.Batch(ctx, file.Batch.ID)
	if errors.Is(err, journal.ErrNotFound) || err == nil && b.Ended != nil {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	watched, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return nil, fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
	}
	if len(file.Raw) > 0 { // as the record would hold it
		if file, err = config.DecodeSpec(file.Raw); err != nil {
			return nil, err
		}
	}
	return config.Differ(watched, file, b.Sensors), nil
}

// compareFile notes whether the file of a running batch says what it is watched by.
func (d *daemon) compareFile(ctx context.Context, file config.BatchFile) error {
	all, err := d.differences(ctx, file)
	if err != nil {
		return err
	}
	id, path := file.Batch.ID, file.File()
	if len(all) == 0 {
		d.folder.note(path, fileTrouble{})
		return nil
	}
	what := sentenceOf(all)
	t := fileTrouble{
		code: fileDiffers, batch: id, key: path + "\x00" + id + "\x00" + what, severity: alert.Warning,
		text: fmt.Sprintf("%s says other than what batch %s is watched by: %s.%s Or put back into the file what is watched.", path, id, what, begunAnewWords(id)),
	}
	if slices.ContainsFunc(all, func(f config.Difference) bool { return f.Key == "ceiling" || f.Key == "original_gravity" }) {
		t.severity = alert.Urgent
	}
	if d.folder.note(path, t) {
		d.log.Warn("a running batch is watched by other than its file says now", "batch", id, "file", path, "differs", what)
	}
	return nil
}

func sentenceOf(all []config.Difference) string {
	words := make([]string, len(all))
	for i, f := range all {
		words[i] = f.String()
	}
	return strings.Join(words, "; ")
}

// begunAnewWords say how a running batch comes to be watched by what its file says.
func begunAnewWords(id string) string {
	return fmt.Sprintf(" A batch goes by what its file said when it was begun. To have it watched by what the file says now, enter “packaged” for it on its page (“Keg or bottle”), "+
		"then write “id: %s-2” under “batch:” and start it as before: it takes up every reading since the pitch. Enter its hand samples, and a crash that was begun, anew.", id)
}

// lookAtStarted looks whether files given at the start that were changed since say
// what is watched.
func (d *daemon) lookAtStarted(ctx context.Context) {
	for _, path := range d.folder.started {
		info, err := os.Stat(path)
		if err != nil || d.folder.seen[path].Equal(info.ModTime()) {
			continue // the record holds a batch whose file is gone
		}
		d.folder.seen[path] = info.ModTime()
		file, err := config.LoadBatch(path, d.defined())
		if err == nil {
			err = d.compareFile(ctx, file)
		}
		if err != nil && ctx.Err() == nil {
			d.log.Warn("a changed batch file cannot be compared with what is watched", "file", path, "error", err)
		}
	}
}

// compareOwn compares the batch of a configuration that is read again. It reports
// whether that batch runs, so that a restart would change nothing.
func (d *daemon) compareOwn(ctx context.Context, file string, own *config.BatchFile) (runs bool) {
	if own == nil {
		d.folder.note(file, fileTrouble{})
		return false
	}
	if err := d.compareFile(ctx, *own); err != nil {
		d.log.Warn("the configuration's batch cannot be compared with what is watched", "error", err)
	}
	b, err := d.journal.Batch(ctx, own.Batch.ID)
	return err == nil && b.Ended == nil
}
