package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// Law: what was changed is named as its owner knows it, the same at the start and
// by whoever reads it later.
func TestDamageIsNamedForPeople(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, everything(t), 0o600))
	s := scribbleIn(t, path)
	require.NoError(t, s.exec("UPDATE batch_sensor SET running = 7 WHERE place = 0"))
	require.NoError(t, s.exec("UPDATE entry SET entered = entered + 1"))
	require.NoError(t, s.exec("UPDATE meta SET value = value + 1"))
	require.NoError(t, s.exec("UPDATE cursor SET value = value + 1"))
	var seq int
	require.NoError(t, s.db.QueryRow("SELECT min(seq) FROM entry").Scan(&seq))
	require.NoError(t, s.db.Close())
	want := []string{
		entryNamed(seq, "a hand sample"), entryNamed(seq+1, "a note"), entryNamed(seq+2, "other sensors"),
		"how far mirror has read is not what was written",
		"sensor float-2 of batch wheat is not what was written", "sensor float-3 of batch rye is not what was written",
		"the number of readings is not what was written", "the number of readings thinned out is not what was written",
	}
	j := openTest(t, dir, migrations())
	require.Equal(t, want, j.Damaged())
	_, err := j.SoundEntries(t.Context(), "wheat")
	require.NoError(t, err)
	_, err = j.Cursor(t.Context(), "mirror")
	require.NoError(t, err)
	require.Equal(t, want, j.Damaged(), "none is named in two ways")
}

func entryNamed(seq int, kind string) string {
	return fmt.Sprintf("entry %d (%s) of batch wheat is not what was written", seq, kind)
}
