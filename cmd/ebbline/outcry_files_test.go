package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
)

// crier looks for the outcries of batch files as if the patience had passed.
func (d *daemon) crier() (look func(t *testing.T)) {
	now := func() time.Time { return time.Now().Add(filePatience) }
	urgent, warning := d.fileOutcry(alert.Urgent, now), d.fileOutcry(alert.Warning, now)
	for _, o := range []*outcry{urgent, warning} {
		o.ladder, o.log, o.now = d.outcries()[0].ladder, d.log, now
	}
	return func(t *testing.T) {
		t.Helper()
		urgent.look(t.Context())
		warning.look(t.Context())
	}
}

// troubles are the texts of health that are trouble.
func (d *daemon) troubles(code string) (texts []string) {
	for _, h := range d.health() {
		if h.Code == code && !h.OK {
			texts = append(texts, h.Text)
		}
	}
	return texts
}

// fileRoom is a daemon's folder of batch files, with a phone.
type fileRoom struct {
	data, dir string
	sink      *sink
	log       *lockedBuffer
	cfg       *config.Config
	pitched   string
}

func newFileRoom(t *testing.T) *fileRoom {
	t.Helper()
	r := &fileRoom{data: t.TempDir(), sink: newSink(t), log: &lockedBuffer{}, pitched: time.Now().Add(-5 * time.Hour).UTC().Format(time.RFC3339)}
	r.dir = filepath.Join(r.data, "batches")
	require.NoError(t, os.Mkdir(r.dir, 0o700))
	text := fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\nnotify: [{webhook: %q}]\n", r.data, r.sink.URL)
	var err error
	r.cfg, err = config.Parse("ebbline.yaml", []byte(text), func(string) (string, bool) { return "", false })
	require.NoError(t, err)
	return r
}

func (r *fileRoom) start(t *testing.T, files ...config.BatchFile) *daemon {
	t.Helper()
	d, err := startDaemon(t.Context(), r.cfg, wallClock{}, false, slog.New(slog.NewTextHandler(r.log, nil)), files...)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	return d
}

// put writes a batch file of vat 1, with words of it changed; its time is made older,
// as it must rest before it is read.
func (r *fileRoom) put(t *testing.T, name string, changed ...string) string {
	t.Helper()
	path := name
	if !filepath.IsAbs(name) {
		path = filepath.Join(r.dir, name)
	}
	text := strings.NewReplacer(changed...).Replace(fmt.Sprintf(footprintBatch, 1, r.pitched))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	rested := time.Now().Add(-time.Second)
	require.NoError(t, os.Chtimes(path, rested, rested))
	return path
}

// Law: a running batch whose file says another ceiling or original gravity by now is
// told of in log, health and, once, on the phone, with both values; the way to have it
// corrected is as it is said: packaged and begun anew, with every reading since the pitch.
func TestACorrectedFileOfARunningBatchIsTold(t *testing.T) {
	t.Parallel()
	r := newFileRoom(t)
	path := r.put(t, "vat.yaml", "0.5\n", "1.0\n", "1.0155", "1.0185")
	d := r.start(t)
	require.Len(t, d.keeper.ids(), 1)
	id := d.keeper.ids()[0]
	last := time.Now().Add(-15 * time.Minute).Truncate(time.Second)
	allRead := func(st alert.State) bool { return st.Estimate != nil && !st.LastReading.Before(last) }
	for i := range 8 {
		at := last.Add(time.Duration(i-7) * 15 * time.Minute).Unix()
		d.hears(t, "cellar/float-1", fmt.Sprintf(`{"g":%.4f,"t":19.5,"ts":%d}`, 1.0154-0.0002*float64(i), at))
	}
	d.awaits(t, id, allRead)
	require.Empty(t, d.troubles(fileDiffers))

	r.put(t, "vat.yaml")
	want := []string{path, id, "ceiling 1 % is watched, the file says 0.5 %", "original gravity 1.0185 is watched, the file says 1.0155", "“packaged”", "id: " + id + "-2"}
	require.Eventually(t, func() bool { return len(d.troubles(fileDiffers)) == 1 }, longEnough, 20*time.Millisecond)
	for range 2 {
		look := d.crier()
		look(t)
		look(t)
		told := r.sink.of("cannot-watch")
		require.Len(t, told, 1, "once, and not again after a start")
		require.Equal(t, "urgent", told[0].Body["severity"])
		for _, w := range want {
			require.Contains(t, d.troubles(fileDiffers)[0], w)
			require.Contains(t, told[0].Body["message"], w)
		}
		require.Contains(t, r.log.String(), "a running batch is watched by other than its file says now")
		require.True(t, d.watchHealth().OK)
		_, err := d.StartBatch(t.Context(), must(os.ReadFile(path)))
		require.ErrorContains(t, err, "ceiling 1 % is watched")
		require.NoError(t, d.Close())
		d = r.start(t)
	}

	// As it is said.
	require.NoError(t, d.Packaged(t.Context(), id, page.Package{Into: "keg"}))
	require.Eventually(t, func() bool { return len(d.keeper.ids()) == 0 }, longEnough, 20*time.Millisecond)
	require.Empty(t, d.troubles(fileDiffers))
	r.put(t, "vat.yaml", "  name:", "  id: "+id+"-2\n  name:")
	st := d.awaits(t, id+"-2", allRead)
	require.NotNil(t, st.Estimate)
	require.Less(t, float64(st.Estimate.Gravity), 1.0155, "what was read is believed")
	b, _ := d.keeper.about(id + "-2")
	require.Equal(t, "0.5", b.file.Batch.Ceiling.String())
	require.Empty(t, d.troubles(fileDiffers))
	require.Empty(t, d.troubles(fileFault))

	require.NoError(t, os.Remove(path))
	require.Eventually(t, func() bool {
		return strings.Contains(fmt.Sprint(d.batchFileHealth()), id+"-2 is watched on, though its file "+path+" was deleted")
	}, longEnough, 20*time.Millisecond)
	d.crier()(t)
	require.Len(t, r.sink.of("cannot-watch"), 1, "not on the phone")
	require.NoError(t, d.Close())
	d = r.start(t)
	require.Contains(t, fmt.Sprint(d.batchFileHealth()), "watched on", "also after a start")
	r.put(t, "vat.yaml", "  name:", "  id: "+id+"-2\n  name:")
	require.Eventually(t, func() bool { return len(d.batchFileHealth()) == 0 }, longEnough, 20*time.Millisecond)
}

// Law: the same goes for a file given with --batch, as soon as it is changed, and for
// the configuration's own batch at a reload, which does not ask for a restart then.
func TestACorrectedFileGivenAtTheStartIsTold(t *testing.T) {
	t.Parallel()
	r := newFileRoom(t)
	given := r.put(t, filepath.Join(t.TempDir(), "given.yaml"))
	file, err := config.LoadBatch(given)
	require.NoError(t, err)
	own := filepath.Join(r.data, "ebbline.yaml")
	writeOwn := func(constant string) *config.Config {
		text := fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\nnotify: [{webhook: %q}]\nbatch: {id: own, name: own, volume: 19 L, original_gravity: 1.0155, ceiling: 0.5, pitched_at: %s, crash: {time_constant: %s}, sensors: []}\n",
			r.data, r.sink.URL, r.pitched, constant)
		require.NoError(t, os.WriteFile(own, []byte(text), 0o600))
		cfg, err := config.Load(own)
		require.NoError(t, err)
		return cfg
	}
	r.cfg = writeOwn("5h")
	d := r.start(t, *r.cfg.Batch, file)
	require.Empty(t, d.batchFileHealth())
	writeOwn("7h")
	require.NoError(t, d.reload(t.Context(), own))
	require.Len(t, d.troubles(fileDiffers), 1)
	require.Contains(t, d.troubles(fileDiffers)[0], "crash time constant 5h is watched, the file says 7h")
	require.Contains(t, r.log.String(), "a batch file is not followed")
	require.Empty(t, d.troubles("configuration"), "a restart would change nothing")
	d.crier()(t)
	require.Len(t, r.sink.of("cannot-watch"), 1)
	require.Equal(t, "warning", r.sink.of("cannot-watch")[0].Body["severity"])
	writeOwn("5h")
	require.NoError(t, d.reload(t.Context(), own))
	require.Empty(t, d.troubles(fileDiffers))

	r.put(t, given, "ceiling: 0.5", "ceiling: \"< 0.5\"")
	require.Eventually(t, func() bool { return len(d.troubles(fileDiffers)) == 1 }, longEnough, 20*time.Millisecond)
	require.Contains(t, d.troubles(fileDiffers)[0], "ceiling 0.5 % is watched, the file says < 0.5 %")
	r.put(t, given)
	require.Eventually(t, func() bool { return len(d.troubles(fileDiffers)) == 0 }, longEnough, 20*time.Millisecond)
}

// Law: of a file that cannot be used, so that its batch is not watched, the phone is
// told once, urgently; when the fault is mended elsewhere it is taken up by itself.
func TestABatchFileThatCannotBeUsedIsToldOnThePhone(t *testing.T) {
	t.Parallel()
	r := newFileRoom(t)
	r.put(t, "vat.yaml")
	d := r.start(t)
	require.Len(t, d.keeper.ids(), 1)
	first := d.keeper.ids()[0]
	second := r.put(t, "second.yaml", "name: vat 1", "name: vat 9") // the same float
	third := filepath.Join(r.dir, "third.yaml")
	require.NoError(t, os.WriteFile(third, []byte("batch:\n  name: vat 3\n  volume: 19 L\n"), 0o600))
	require.Eventually(t, func() bool { return len(d.troubles(fileFault)) == 2 }, longEnough, 20*time.Millisecond)
	patient := d.fileOutcry(alert.Urgent, time.Now)
	require.Empty(t, patient.problem(t.Context()), "an editor may be at it")
	for range 2 {
		look := d.crier()
		look(t)
		look(t)
		told := r.sink.of("cannot-watch")
		require.Len(t, told, 1, "once per file and fault")
		require.Equal(t, "urgent", told[0].Body["severity"])
		for _, says := range []string{second, "belongs to the running batch", first, third + ":2:3", "original_gravity"} {
			require.Contains(t, told[0].Body["message"], says)
		}
		require.NoError(t, d.Close())
		d = r.start(t)
		require.Len(t, d.troubles(fileFault), 2)
	}
	require.Len(t, d.keeper.ids(), 1)
	require.NoError(t, os.Remove(third))
	require.NoError(t, d.Packaged(t.Context(), first, page.Package{Into: "keg"}))
	require.Eventually(t, func() bool { return len(d.troubles(fileFault)) == 0 && len(d.keeper.ids()) == 1 }, longEnough, 20*time.Millisecond)
	require.Contains(t, d.keeper.ids()[0], "vat-9")

	require.NoError(t, os.WriteFile(second, []byte("batch: [\n"), 0o600))
	require.Eventually(t, func() bool { return len(d.troubles(fileFault)) == 1 }, longEnough, 20*time.Millisecond)
	d.crier()(t)
	told := r.sink.of("cannot-watch")
	require.Len(t, told, 2)
	require.Equal(t, "warning", told[1].Body["severity"], "that batch is watched on")
	require.Contains(t, told[1].Body["message"], "is watched on by what was taken up")
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
