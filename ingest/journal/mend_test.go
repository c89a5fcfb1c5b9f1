package journal

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Law: a message that was changed on the disk neither silences an urgent alert
// that nobody answered nor rings for one that is over; the record is sound again.
func TestADamagedMessageIsToldAnew(t *testing.T) {
	whole := everything(t)
	for name, change := range map[string]string{
		"done":    "UPDATE delivery SET done = 0 WHERE done IS NULL",
		"due":     "UPDATE delivery SET due = due + 1 << 50",
		"channel": "UPDATE delivery SET n = n + 7, outcome = 'x'",
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, FileName)
			require.NoError(t, os.WriteFile(path, whole, 0o600))
			s := scribbleIn(t, path)
			require.NoError(t, s.exec(change))
			require.NoError(t, s.db.Close())

			now := noon.Add(30 * time.Minute)
			j, err := Open(dir, Options{Now: func() time.Time { return now }})
			require.NoError(t, err)
			t.Cleanup(func() { require.NoError(t, j.Close()) })
			require.NotEmpty(t, j.Damaged())
			require.NoError(t, j.Check(t.Context()))
			waiting := func(at time.Time) (alerts []string) {
				due, err := j.Due(t.Context(), at, 0)
				require.NoError(t, err)
				for _, d := range due {
					require.Equal(t, "phone", d.Channel)
					alerts = append(alerts, d.Alert)
				}
				return alerts
			}
			require.Equal(t, []string{"wheat/crash-now/4"}, waiting(now), "the first is over, the second answered, the third put off")
			require.Equal(t, []string{"wheat/crash-now/4", "wheat/crash-now/3"}, waiting(noon.Add(90*time.Minute)))
		})
	}
}

// A batch whose end was changed on the disk is not taken for one that is over.
func TestAChangedEndIsNoEnd(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, everything(t), 0o600))
	s := scribbleIn(t, path)
	require.NoError(t, s.exec("UPDATE batch SET ended = started + 1"))
	require.NoError(t, s.db.Close())
	j, err := Open(dir, Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	lost, err := j.Lost(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"wheat"}, lost, "the rye had ended")
}
