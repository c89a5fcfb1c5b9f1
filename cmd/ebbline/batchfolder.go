package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// fileRetry is how often a file is tried again that cannot be used: its sensor may
// be defined or free by then.
const fileRetry = 10 * time.Second

// filesKey is where the journal keeps which file of the folder describes which
// batch, so that a start knows of one that is gone.
const filesKey = "batch files"

// batchFolder is what is known of batch files: those in the folder, which are looked
// at by one goroutine, and those that the daemon was started with.
type batchFolder struct {
	mu       sync.Mutex
	troubles map[string]fileTrouble // by path
	batchOf  map[string]string      // name of a file in the folder: its batch's ID

	seen    map[string]time.Time // when what was looked at had been changed, by path
	tried   map[string]time.Time // when what cannot be used was last tried
	started []string             // paths of the files given with --batch
}

func newBatchFolder() batchFolder {
	return batchFolder{troubles: map[string]fileTrouble{}, batchOf: map[string]string{}, seen: map[string]time.Time{}, tried: map[string]time.Time{}}
}

// given notes the files that the daemon was started with; the batch of the
// configuration is looked at with that, at a reload.
func (b *batchFolder) given(files []config.BatchFile, own *config.BatchFile) {
	for _, f := range files {
		path := f.File()
		if info, err := os.Stat(path); err == nil && (own == nil || own.File() != path) {
			b.started, b.seen[path] = append(b.started, path), info.ModTime()
		}
	}
}

// fileTrouble is what a person should know of a batch file.
type fileTrouble struct {
	code, text string
	batch      string         // it is over when this batch is; "": while the file is so
	key        string         // the same for the same trouble
	severity   alert.Severity // "": not for the phone
	since      time.Time      // wall clock
}

// note keeps what is wrong with a file, or that nothing is; true: that is news.
func (b *batchFolder) note(path string, t fileTrouble) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	old, was := b.troubles[path]
	if t.text == "" {
		delete(b.troubles, path)
		return false
	}
	t.since = time.Now()
	if was && old.key == t.key {
		t.since = old.since
	}
	b.troubles[path] = t
	return !was || old.key != t.key
}

// fileTroubles are those that have not ended with their batch, by path.
func (d *daemon) fileTroubles() (all []fileTrouble) {
	running := d.keeper.unended()
	d.folder.mu.Lock()
	defer d.folder.mu.Unlock()
	for _, path := range slices.Sorted(maps.Keys(d.folder.troubles)) {
		if t := d.folder.troubles[path]; t.batch == "" || slices.Contains(running, t.batch) {
			all = append(all, t)
		}
	}
	return all
}

func (d *daemon) batchFileHealth() (items []page.HealthItem) {
	for _, t := range d.fileTroubles() {
		items = append(items, page.HealthItem{Code: t.code, OK: t.code == fileGone, Text: t.text, Since: t.since})
	}
	return items
}

// Codes of health: the file cannot be used, says other than what is watched, is gone.
const (
	fileFault   = "batch-file"
	fileDiffers = "batch-differs"
	fileGone    = "batch-file-gone"
)

// watchFolder starts the batch files that are put into the data folder's batches/,
// takes up new samples of those that run, and looks whether those given at the start
// still say what is watched.
func (d *daemon) watchFolder(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		d.lookIntoFolder(ctx)
		d.lookAtStarted(ctx)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (d *daemon) lookIntoFolder(ctx context.Context) {
	dir := filepath.Join(d.conf().Data, "batches")
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return
	}
	there := map[string]bool{}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || e.IsDir() || !isYAML(e.Name()) {
			continue
		}
		path := filepath.Join(dir, e.Name())
		there[path] = true
		if d.folder.seen[path].Equal(info.ModTime()) && !d.triesAgain(path) {
			continue
		}
		if time.Since(info.ModTime()) < 200*time.Millisecond {
			continue // may still be being written
		}
		d.folder.seen[path] = info.ModTime()
		d.startFile(ctx, path)
	}
	d.missFiles(dir, there)
}

func isYAML(name string) bool {
	ext := filepath.Ext(name)
	return ext == ".yaml" || ext == ".yml"
}

func (d *daemon) triesAgain(path string) bool {
	d.folder.mu.Lock()
	defer d.folder.mu.Unlock()
	return d.folder.troubles[path].code == fileFault && time.Since(d.folder.tried[path]) >= fileRetry
}

// missFiles says of files of the folder that are gone which batches are watched on.
func (d *daemon) missFiles(dir string, there map[string]bool) {
	described := map[string]bool{}
	d.folder.mu.Lock()
	batchOf := maps.Clone(d.folder.batchOf)
	for path := range d.folder.troubles {
		if filepath.Dir(path) == dir && !there[path] && d.folder.troubles[path].code != fileGone {
			delete(d.folder.troubles, path)
		}
	}
	d.folder.mu.Unlock()
	for name, batch := range batchOf {
		described[batch] = described[batch] || there[filepath.Join(dir, name)]
	}
	for name, batch := range batchOf {
		path := filepath.Join(dir, name)
		if there[path] {
			continue
		}
		delete(d.folder.seen, path) // should it come back it is looked at anew
		if described[batch] {
			continue
		}
		d.folder.note(path, fileTrouble{
			code: fileGone, key: "gone", batch: batch,
			text: fmt.Sprintf("Batch %s is watched on, though its file %s was deleted: the record holds it. To end it enter “packaged” on its page (“Keg or bottle”).", batch, path),
		})
	}
}

// startFile starts the batch of one file; what is wrong with it is shown in health.
func (d *daemon) startFile(ctx context.Context, path string) {
	d.folder.mu.Lock()
	d.folder.tried[path] = time.Now()
	d.folder.mu.Unlock()
	file, err := config.LoadBatch(path, d.defined())
	read := err == nil
	if read {
		err = d.createBatch(ctx, file)
	}
	if err == nil {
		d.keepFile(ctx, path, file.Batch.ID)
		err = d.compareFile(ctx, file)
	}
	if err == nil || ctx.Err() != nil {
		return
	}
	t := d.faultOf(ctx, path, file, read, err)
	if d.folder.note(path, t) {
		d.log.Error("a batch file could not be used", "file", path, "error", t.text)
	}
}

// faultOf says why a file cannot be used, and how much that matters: whoever put it
// there may rely on a batch that nobody watches.
func (d *daemon) faultOf(ctx context.Context, path string, file config.BatchFile, read bool, err error) fileTrouble {
	if !strings.HasPrefix(err.Error(), path) {
		err = fmt.Errorf("%s: %w", path, err)
	}
	t := fileTrouble{code: fileFault, text: err.Error(), key: path + "\x00" + err.Error(), severity: alert.Urgent}
	d.folder.mu.Lock()
	id := d.folder.batchOf[filepath.Base(path)]
	d.folder.mu.Unlock()
	switch {
	case errors.Is(err, journal.ErrChanged) || errors.As(err, new(*journal.ErrUnwritten)):
		t.severity = "" // another message says that
	case !read && slices.Contains(d.keeper.unended(), id):
		t.severity = alert.Warning
		t.text += fmt.Sprintf("\nBatch %s is watched on by what was taken up of this file before.", id)
	case read:
		if file.Ahead(d.clock.Now(), farFuture) != nil { // its words change with the clock
			t.key = path + "\x00ahead of " + file.Batch.PitchedAt.String()
		}
		b, err := d.journal.Batch(ctx, file.Batch.ID)
		switch {
		case err == nil && b.Ended != nil:
			t.severity = ""
		case err == nil:
			t.severity = alert.Warning
		}
	}
	return t
}

// knownFiles reads which file describes which batch.
func (d *daemon) knownFiles(ctx context.Context) {
	raw, ok, err := d.journal.Get(ctx, filesKey)
	if err == nil && ok {
		err = json.Unmarshal([]byte(raw), &d.folder.batchOf)
	}
	if err != nil {
		d.log.Warn("which batch file was deleted is not known", "error", err)
	}
}

// keepFile notes which batch a file of the folder describes.
func (d *daemon) keepFile(ctx context.Context, path, batch string) {
	dir, name := filepath.Split(path)
	if filepath.Clean(dir) != filepath.Join(d.conf().Data, "batches") {
		return
	}
	running := append(d.keeper.unended(), batch)
	d.folder.mu.Lock()
	was := maps.Clone(d.folder.batchOf)
	d.folder.batchOf[name] = batch
	maps.DeleteFunc(d.folder.batchOf, func(n, id string) bool { return n != name && !slices.Contains(running, id) })
	same := maps.Equal(was, d.folder.batchOf)
	raw, err := json.Marshal(d.folder.batchOf)
	d.folder.mu.Unlock()
	if same {
		return
	}
	if err == nil {
		err = d.journal.Set(ctx, filesKey, string(raw))
	}
	if err != nil {
		d.log.Warn("after a start it is not known which batch a file describes", "file", name, "error", err)
	}
}

// unlessItRuns leaves out of a running batch's file the sensors that are known: they
// are read as they were when the batch was begun.
func (d *daemon) unlessItRuns(ctx context.Context, file config.BatchFile) config.BatchFile {
	if b, err := d.journal.Batch(ctx, file.Batch.ID); err != nil || b.Ended != nil {
		return file
	}
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	file.Sensors = slices.DeleteFunc(slices.Clone(file.Sensors), func(s ingest.Sensor) bool {
		_, known := d.sensors[s.Name]
		return known
	})
	return file
}
