package journal_test

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal/journaltest"
)

// piece is one write, not yet known to be on the disk; data nil: a cut to size at.
type piece struct {
	at   int64
	data []byte
}

func (p piece) onto(file []byte) []byte {
	if p.data == nil {
		return append(file, make([]byte, max(0, int(p.at)-len(file)))...)[:p.at]
	}
	if end := int(p.at) + len(p.data); end > len(file) {
		file = append(file, make([]byte, end-len(file))...)
	}
	copy(file[p.at:], p.data)
	return file
}

// disk is a file as the platter holds it and what the system has yet to write.
type disk struct {
	durable  []byte
	unsynced []piece
}

func (d *disk) sync() {
	for _, p := range d.unsynced {
		d.durable = p.onto(d.durable)
	}
	d.unsynced = nil
}

// afterPowerLoss is what is found later: of what was not synced nothing, or some
// pieces whole and some in part, in no order.
func (d *disk) afterPowerLoss(rnd *rand.Rand) []byte {
	file := bytes.Clone(d.durable)
	if rnd == nil {
		return file
	}
	for _, p := range d.unsynced {
		switch rnd.IntN(3) {
		case 0:
			file = p.onto(file)
		case 1:
			if len(p.data) > 512 { // whole sectors of it
				p.data = p.data[:512*(1+rnd.IntN(len(p.data)/512))]
				file = p.onto(file)
			}
		}
	}
	return file
}

var (
	traceLine = regexp.MustCompile(`^(\d+) +(?:(\w+)\((.*)|<\.\.\. \w+ resumed>(.*))$`)
	traceArgs = regexp.MustCompile(`^\d+<([^>]*)>(?:, (?:"((?:\\x[0-9a-f]{2})*)", \d+(?:, (\d+))?|(\d+)))?\) += (\d+|\?)`)
)

// unhex reads strace's \x2f\x74; what is not written so stays.
func unhex(s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
	if err != nil {
		return []byte(s)
	}
	return b
}

// power plays the traced system calls of a journal that was written.
type power struct {
	t         *testing.T
	disks     map[string]*disk // by file name
	confirmed []int64
	open      map[string]string // by thread: a call that has not returned
	calls     int
	partial   string // of a line of confirmations
}

// take plays one line of the trace; true if it changed anything.
func (w *power) take(line string) bool {
	m := traceLine.FindStringSubmatch(line)
	if m == nil {
		return false
	}
	call := m[2] + "(" + m[3]
	if m[2] == "" {
		call = w.open[m[1]] + m[4]
	}
	if before, ok := strings.CutSuffix(call, " <unfinished ...>"); ok {
		w.open[m[1]] = before
		return false
	}
	name, rest, _ := strings.Cut(call, "(")
	a := traceArgs.FindStringSubmatch(rest)
	if a == nil && strings.HasSuffix(call, "= ?") {
		return false // cut short by the kill, and strace could not read its arguments any more
	}
	require.NotNil(w.t, a, "not understood: %.200s", line)
	file := filepath.Base(string(unhex(a[1])))
	d := w.disks[file]
	if d == nil {
		d = &disk{}
		w.disks[file] = d
	}
	w.calls++
	switch name {
	case "pwrite64":
		at, err := strconv.ParseInt(a[3], 10, 64)
		require.NoError(w.t, err)
		d.unsynced = append(d.unsynced, piece{at, unhex(a[2])})
	case "ftruncate":
		at, err := strconv.ParseInt(a[4], 10, 64)
		require.NoError(w.t, err)
		d.unsynced = append(d.unsynced, piece{at: at})
	case "fsync", "fdatasync":
		if a[5] == "0" { // not cut short by the kill
			d.sync()
		}
	case "write": // the victim says which reading was confirmed
		require.Equal(w.t, "confirmed", file)
		w.partial += string(unhex(a[2]))
		for {
			number, after, ok := strings.Cut(w.partial, "\n")
			if !ok {
				break
			}
			n, err := strconv.ParseInt(number, 10, 64)
			require.NoError(w.t, err)
			w.confirmed, w.partial = append(w.confirmed, n), after
		}
	}
	return true
}

// requireConfirmed opens what a power loss would leave: whole, and with every
// reading that had been confirmed.
func (w *power) requireConfirmed(rnd *rand.Rand) {
	w.t.Helper()
	dir := w.t.TempDir()
	for _, name := range []string{"ebbline.db", "ebbline.db-wal"} {
		if d := w.disks[name]; d != nil {
			require.NoError(w.t, os.WriteFile(filepath.Join(dir, name), d.afterPowerLoss(rnd), 0o600))
		}
	}
	j := journaltest.OpenIn(w.t, dir) // its store is checked in the end
	stored, err := j.ReadingsAfter(w.t.Context(), 0, 0)
	require.NoError(w.t, err)
	found := map[int64]int{}
	for _, s := range stored {
		if s.Quantity == ingest.Gravity {
			found[int64(s.Value)]++
		}
	}
	for _, n := range w.confirmed {
		require.Equal(w.t, 1, found[n], "reading %d was confirmed, after %d system calls", n, w.calls)
	}
	require.NoError(w.t, j.Close())
}

// Law: a reading whose Record returned outlives a loss of power, whichever of the
// writes that were not yet synced reached the disk, and in whatever part. The
// writes and syncs are those of a real run, told by strace(1).
func TestConfirmedReadingsSurviveLossOfPower(t *testing.T) {
	const enough, looks = 1500, 12
	dir, out := t.TempDir(), filepath.Join(t.TempDir(), "confirmed")
	trace := filepath.Join(t.TempDir(), "trace")
	said, err := os.Create(out)
	require.NoError(t, err)
	defer func() { _ = said.Close() }()
	cmd := exec.Command("strace", "-f", "-qq", "--seccomp-bpf", "-y", "-xx", "-s", "100000", "-o", trace,
		"-P", filepath.Join(dir, "ebbline.db"), "-P", filepath.Join(dir, "ebbline.db-wal"), "-P", out,
		"-e", "trace=pwrite64,write,ftruncate,fsync,fdatasync", os.Args[0])
	cmd.Env = append(os.Environ(), victimFolder+"="+dir)
	cmd.Stdout = said
	require.NoError(t, cmd.Start(), "strace of Debian is needed: deploy/test.sh installs it")
	require.Eventually(t, func() bool {
		text, err := os.ReadFile(out)
		return err == nil && bytes.Count(text, []byte("\n")) > enough
	}, 5*time.Minute, 20*time.Millisecond)
	children, err := os.ReadFile(fmt.Sprintf("/proc/%[1]d/task/%[1]d/children", cmd.Process.Pid))
	require.NoError(t, err)
	victim, err := strconv.Atoi(strings.TrimSpace(string(children)))
	require.NoError(t, err, "strace has one child: %q", children)
	require.NoError(t, syscall.Kill(victim, syscall.SIGKILL))
	_ = cmd.Wait() // strace ends as its child did

	w := &power{t: t, disks: map[string]*disk{}, open: map[string]string{}}
	f, err := os.Open(trace)
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	var lines []string
	for s := bufio.NewReaderSize(f, 1<<20); ; {
		line, err := s.ReadString('\n')
		if err != nil {
			break
		}
		if strings.Contains(line, "(") || strings.Contains(line, "resumed") {
			lines = append(lines, strings.TrimSuffix(line, "\n"))
		}
	}
	rnd := rand.New(rand.NewPCG(8, 2))
	losses := 0
	for i, line := range lines {
		if strings.Contains(line, "SIG") || !w.take(line) {
			continue
		}
		if i > len(lines)/20 && rnd.IntN(len(lines)) < looks {
			w.requireConfirmed(nil)
			w.requireConfirmed(rnd)
			losses += 2
		}
	}
	require.Positive(t, losses)
	require.Greater(t, len(w.confirmed), enough/2)
	t.Logf("%d losses of power in a run of %d writes and syncs; %d readings confirmed, none lost", losses, w.calls, len(w.confirmed))
}
