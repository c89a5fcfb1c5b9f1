package journal_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// victimFolder, if set, makes this test binary the process that gets killed.
const victimFolder = "EBBLINE_TEST_JOURNAL_VICTIM"

// victimLasts, if set, is after how many readings of a writer it kills itself at the
// latest, should nobody else have done so.
const victimLasts = "EBBLINE_TEST_JOURNAL_VICTIM_LASTS"

func TestMain(m *testing.M) {
	if dir := os.Getenv(victimFolder); dir != "" {
		if err := victim(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	if dir := os.Getenv(journal.MigrationVictim); dir != "" {
		fmt.Fprintln(os.Stderr, journal.BringForward(dir))
		os.Exit(1)
	}
	if dir := os.Getenv(journal.ThinVictim); dir != "" {
		fmt.Fprintln(os.Stderr, journal.ThinSlowly(dir))
		os.Exit(1)
	}
	os.Exit(quicktest.Main(m))
}

// victim records readings from many goroutines and prints the number of each
// after it was confirmed, until it is killed. Numbers go on from those stored.
func victim(dir string) error {
	j, err := journal.Open(dir, journal.Options{})
	if err != nil {
		return err
	}
	next, err := j.Cursor(context.Background(), "victim")
	if err != nil {
		return err
	}
	next += 1_000_000
	if err := j.SetCursor(context.Background(), "victim", next); err != nil {
		return err
	}
	last := int64(math.MaxInt64)
	if text := os.Getenv(victimLasts); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return err
		}
		last = next + 20*n
	}
	var out sync.Mutex
	failed := make(chan error)
	for w := range int64(20) {
		go func() {
			for n := next + w; ; n += 20 {
				if err := j.Record(context.Background(), []ingest.Reading{numbered(n), numberedTwin(n)}, nil); err != nil {
					failed <- err
					return
				}
				out.Lock()
				fmt.Println(n)
				out.Unlock()
				if n >= last {
					failed <- syscall.Kill(os.Getpid(), syscall.SIGKILL)
				}
			}
		}()
	}
	return <-failed
}

func numbered(n int64) ingest.Reading {
	return reading("float-"+strconv.FormatInt(n%3, 10), ingest.Gravity, time.Duration(n)*time.Second, float64(n))
}

func numberedTwin(n int64) ingest.Reading {
	r := numbered(n)
	r.Quantity = ingest.Temperature
	return r
}

// Law: a reading whose Record returned is there after any kill, once, together
// with the rest of its message; the file is whole and free for the next.
func TestConfirmedReadingsSurviveKill(t *testing.T) {
	const kills = 20
	dir := t.TempDir()
	confirmed := map[int64]bool{}
	for i := range kills {
		for _, n := range runAndKill(t, dir, time.Duration(20+13*i)*time.Millisecond) {
			confirmed[n] = true
		}
	}
	require.Greater(t, len(confirmed), kills, "the victims did confirm readings")

	j := journaltest.OpenIn(t, dir) // its lock is free; its store is checked in the end
	stored, err := j.ReadingsAfter(t.Context(), 0, 0)
	require.NoError(t, err)
	found := map[int64]map[ingest.Quantity]int{}
	for _, s := range stored {
		n := int64(s.Value)
		if found[n] == nil {
			found[n] = map[ingest.Quantity]int{}
		}
		found[n][s.Quantity]++
	}
	whole := map[ingest.Quantity]int{ingest.Gravity: 1, ingest.Temperature: 1}
	for n := range confirmed {
		require.Equal(t, whole, found[n], "confirmed reading %d", n)
	}
	for n, quantities := range found {
		require.Equal(t, whole, quantities, "a message is stored whole or not at all: %d", n)
	}
	require.EqualValues(t, len(stored), j.Stats().Readings)
	t.Logf("%d kills, %d readings confirmed, %d stored", kills, 2*len(confirmed), len(stored))
}

// runAndKill kills a victim the given time after its first confirmation.
func runAndKill(t *testing.T, dir string, after time.Duration) (confirmed []int64) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), victimFolder+"="+dir)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	pipe, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewReader(pipe)
	for killed := false; ; {
		line, err := lines.ReadString('\n')
		if err != nil {
			require.ErrorIs(t, err, io.EOF)
			break
		}
		n, err := strconv.ParseInt(strings.TrimSpace(line), 10, 64)
		require.NoError(t, err)
		confirmed = append(confirmed, n)
		if !killed {
			killed = true
			time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
	}
	require.ErrorContains(t, cmd.Wait(), "signal: killed", complaints.String())
	return confirmed
}
