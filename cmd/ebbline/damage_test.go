package main

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// twoVats is a data folder with two batches, and a configuration with a phone.
type twoVats struct {
	cfg   *config.Config
	files []config.BatchFile
	sink  *sink
}

func newTwoVats(t *testing.T) twoVats {
	t.Helper()
	s := newSink(t)
	text := fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\nnotify: [{webhook: %q}]\n", t.TempDir(), s.URL+"/hook")
	cfg, err := config.Parse("ebbline.yaml", []byte(text), func(string) (string, bool) { return "", false })
	require.NoError(t, err)
	v := twoVats{cfg: cfg, sink: s}
	for i := range 2 {
		path := filepath.Join(t.TempDir(), "batch.yaml")
		require.NoError(t, os.WriteFile(path, fmt.Appendf(nil, strings.Replace(footprintBatch, "0.5\n", fmt.Sprintf("0.%d\n", 4+i), 1), i+1, time.Now().Add(-2*time.Hour).UTC().Format(time.RFC3339)), 0o600))
		file, err := config.LoadBatch(path)
		require.NoError(t, err)
		v.files = append(v.files, file)
	}
	return v
}

func (v twoVats) start(t *testing.T) *daemon {
	t.Helper()
	d, err := startDaemon(t.Context(), v.cfg, wallClock{}, false, slog.New(slog.DiscardHandler), v.files...)
	require.NoError(t, err, "what one batch rests on must not keep the others from being watched")
	d.keeper.resting = time.Minute // on a loaded machine two seconds are not enough
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	return d
}

// scribble changes bytes of the record's file, as a disk does; some may stand in
// space that is free.
func (v twoVats) scribble(t *testing.T, old, changed string) {
	t.Helper()
	require.Len(t, changed, len(old))
	path := filepath.Join(v.cfg.Data, journal.FileName)
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Contains(t, string(raw), old)
	require.NoError(t, os.WriteFile(path, bytes.ReplaceAll(raw, []byte(old), []byte(changed)), 0o600))
}

func answerOf(t *testing.T, d *daemon, path string) string {
	t.Helper()
	r, err := http.Get("http://" + d.listener.Addr().String() + path)
	require.NoError(t, err)
	defer r.Body.Close()
	var b bytes.Buffer
	_, err = b.ReadFrom(r.Body)
	require.NoError(t, err)
	return fmt.Sprint(r.StatusCode, " ", b.String())
}

// Law: a batch whose ceiling or hand sample was changed on the disk is not watched
// by the wrong one. The brewer is told, also by phone, and the other batch goes on.
func TestABatchThatWasChangedOnTheDisk(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ old, changed, says string }{
		"ceiling": {`"ceiling":"0.4"`, `"ceiling":"0.6"`, "the description of batch %s is not what was written"},
		"sample":  {`"Gravity":1.0144`, `"Gravity":1.0104`, "entry 1 (a hand sample) of batch %s is not what was written"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			v := newTwoVats(t)
			d := v.start(t)
			lost, other := v.files[0].Batch.ID, v.files[1].Batch.ID
			require.NoError(t, d.Close())
			j, err := journal.Open(v.cfg.Data, journal.Options{}) // a sample that the watch has not read yet
			require.NoError(t, err)
			at := time.Now().Add(-time.Hour)
			_, err = j.AddEntry(t.Context(), journal.Entry{Batch: lost, Kind: journal.SampleEntry, Time: at, Entered: at, Body: []byte(`{"Gravity":1.0144}`)})
			require.NoError(t, errors.Join(err, j.Close()))
			v.scribble(t, c.old, c.changed)

			d = v.start(t)
			says := fmt.Sprintf(c.says, lost)
			require.Eventually(t, func() bool { return strings.Contains(d.watchHealth().Text, says) }, longEnough, 20*time.Millisecond)
			require.Contains(t, d.watchHealth().Text, "Batch "+lost+" is not watched")
			require.Contains(t, d.watchHealth().Text, "restore a backup")
			require.Equal(t, name == "sample", strings.Contains(d.watchHealth().Text, "strike it out or correct it on the page of its batch"), d.watchHealth().Text)
			require.Equal(t, 1, strings.Count(answerOf(t, d, "/readyz"), says))
			require.NotContains(t, fmt.Sprint(d.health()), "The disk has changed what was recorded", "that is told once")
			require.Contains(t, d.keeper.lostWords(lost), "Not watched, and no alert comes: look at the beer yourself.")
			require.Equal(t, []string{other}, d.keeper.ids())
			publish(t, d.mqttAddr(), "cellar/float-2", []string{fmt.Sprintf(`{"ts":%q,"g":1.0150,"t":19}`, time.Now().UTC().Format(time.RFC3339))})
			require.Eventually(t, func() bool { st, _, _ := d.keeper.stateOf(other); return !st.Silent && !st.Now.IsZero() }, longEnough, 20*time.Millisecond)

			blind, later := d.outcries()[1], time.Now()
			blind.now = func() time.Time { later = later.Add(9 * time.Minute); return later }
			for range 3 {
				blind.look(t.Context())
			}
			told := v.sink.of("cannot-watch")
			require.Len(t, told, 1)
			require.Contains(t, told[0].Body["message"], "look at the beer yourself. Batch "+lost+" is not watched")
			require.Contains(t, answerOf(t, d, "/readyz"), says)
			require.Regexp(t, `^200 .*`+other, answerOf(t, d, "/api/v1/batches"), "the list of the others stays")
			if name == "ceiling" {
				require.Contains(t, answerOf(t, d, "/api/v1/batches/"+lost), "What this page is made of was changed on the disk, so it is not shown")
			}
			require.ErrorContains(t, d.journal.Check(t.Context()), says)
			if name == "ceiling" {
				return
			}
			require.NoError(t, d.AddSample(t.Context(), lost, page.Sample{Time: at, PH: new(4.2)}))
			require.Eventually(t, func() bool { return strings.Contains(d.watchHealth().Text, says) }, longEnough, 20*time.Millisecond, "nothing is mended by that")
			require.NoError(t, d.Strike(t.Context(), lost, page.Strike{Seq: 1, Time: time.Now()}))
			d.awaits(t, lost, func(st alert.State) bool { return st.PH != nil && *st.PH == 4.2 })
			require.Eventually(t, func() bool { return d.watchHealth().OK }, longEnough, 10*time.Millisecond)
			require.Empty(t, d.keeper.lostWords(lost))
			require.True(t, d.watchHealth().OK, d.watchHealth().Text)
			require.NoError(t, d.journal.Check(t.Context()))
		})
	}
}

// Law: settings that were changed on the disk are not gone by: nobody sleeps by
// wrong hours, nobody logs in by a wrong hash, no sensor is read by a wrong
// calibration and none is lost by entering another. Both batches are watched.
func TestSettingsThatWereChangedOnTheDisk(t *testing.T) {
	t.Parallel()
	v := newTwoVats(t)
	d := v.start(t)
	hash, _, err := d.journal.Get(t.Context(), passwordKey)
	require.NoError(t, err)
	require.NoError(t, errors.Join(
		d.SetQuiet(t.Context(), &page.Quiet{From: "22:34", To: "07:00"}),
		d.DefineSensor(t.Context(), ingest.Sensor{Name: "probe", Topic: "cellar/probe", Readings: []ingest.ReadingSpec{{Quantity: ingest.Temperature, Pointer: "/t", Unit: "Cel"}}}),
	))
	require.NoError(t, d.Close())
	v.scribble(t, "22:34", "12:34")
	v.scribble(t, "cellar/probe", "cellar/prove")
	v.scribble(t, hash[len(hash)-8:], "AAAAAAAA")

	d = v.start(t)
	require.Len(t, d.keeper.ids(), 2)
	require.Nil(t, d.keeper.settings().Quiet)
	health := answerOf(t, d, "/api/v1/health")
	for _, setting := range []string{passwordKey, quietKey, bookKey} {
		require.Contains(t, health, "setting "+setting+" is not what was written")
	}
	kept, err := d.passwordHash(t.Context())
	require.NoError(t, err)
	require.Equal(t, noPassword, kept)
	var refused *page.Refused
	require.ErrorAs(t, d.DefineSensor(t.Context(), ingest.Sensor{Name: "other", Topic: "cellar/other", Readings: []ingest.ReadingSpec{{Quantity: ingest.Temperature, Pointer: "/t", Unit: "Cel"}}}), &refused)
	require.Contains(t, refused.Text, "restore a backup first")
	require.NoError(t, d.SetQuiet(t.Context(), &page.Quiet{From: "23:00", To: "07:00"}), "written anew it is good")
	require.NotNil(t, d.keeper.settings().Quiet)
}

// Striking out is offered where the page does it: of a batch that is over only for
// notes, and of no description.
func TestWhatIsDoneAboutWhatTheDiskHasChanged(t *testing.T) {
	t.Parallel()
	const strike, backup = "can be corrected or struck out", "restore a backup (ebbline restore)"
	of := func(what, batch string) string { return what + " of batch " + batch + " is not what was written" }
	for what, strikable := range map[string]bool{
		of("entry 1 (a hand sample)", "pears-1"): true, of("entry 2 (the start of the crash)", "pears-1"): true, of("entry 3 (a note)", "old-1"): true,
		of("entry 4 (a hand sample)", "old-1"): false, of("entry 4 (a hand sample)", "pears-12"): false, of("entry 5 (the packaging)", "pears-1"): false,
		"the description of batch pears-1 is not what was written": false, "setting quiet is not what was written": false,
	} {
		right := putRightWords([]string{what}, []string{"pears-1"})
		require.Equal(t, strikable, strings.Contains(right, strike), what)
		require.Contains(t, right, backup, what)
		require.Equal(t, strikable, strings.Contains(right, "If that cannot be done, stop ebbline"), what)
	}
	require.Contains(t, putRightWords([]string{of("entry 3 (a note)", "old-1"), "setting quiet is not what was written"}, nil), "For the rest stop ebbline")
}
