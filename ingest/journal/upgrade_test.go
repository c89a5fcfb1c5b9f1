package journal

import (
	"compress/gzip"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"
)

// MigrationVictim, if set in the environment, makes this test binary a process
// that brings the journal of that folder forward and stands still in the middle.
const MigrationVictim = "EBBLINE_TEST_MIGRATION_VICTIM"

// BringForward is the process to be killed: it prints a line when it stands
// between the last step and the commit, and waits there.
func BringForward(dir string) error {
	err := sqlite.RegisterScalarFunction("stand_still", 0, func(*sqlite.FunctionContext, []driver.Value) (driver.Value, error) {
		fmt.Println("here")
		time.Sleep(time.Hour)
		return nil, errors.New("not killed")
	})
	if err == nil {
		steps := migrations()
		steps[len(steps)-1] += "; SELECT stand_still();"
		_, err = open(dir, Options{}, steps)
	}
	return err
}

// folderOf unpacks the data folder that a daemon of this format has left.
func folderOf(t *testing.T, format int) string {
	t.Helper()
	dir := t.TempDir()
	in, err := os.Open(filepath.Join("..", "..", "testdata", fmt.Sprintf("journal-v%d", format), FileName+".gz"))
	require.NoError(t, err, "each format needs the data folder of a daemon that wrote it: testdata/README.md")
	defer in.Close()
	z, err := gzip.NewReader(in)
	require.NoError(t, err)
	out, err := os.OpenFile(filepath.Join(dir, FileName), os.O_CREATE|os.O_WRONLY, 0o600)
	require.NoError(t, err)
	_, err = io.Copy(out, z)
	require.NoError(t, errors.Join(err, z.Close(), out.Close()))
	return dir
}

// Law: the record of every format there has been is brought forward whole, a copy
// as it was stays, and nothing else.
func TestEveryFormatIsBroughtForwardWhole(t *testing.T) {
	for format := 1; format <= len(migrations()); format++ {
		t.Run(strconv.Itoa(format), func(t *testing.T) {
			dir := folderOf(t, format)
			before := contents(t, filepath.Join(dir, FileName))
			for _, table := range []string{"reading", "event", "entry", "alert"} {
				require.NotContains(t, before[table], "(0 rows)", "a folder with no %s shows little", table)
			}
			requireForward(t, dir, format, before)
		})
	}
}

// Law: killed at any moment of bringing the record forward, the next start does
// it, whole, and leaves one copy however often it was tried.
func TestKilledWhileBroughtForward(t *testing.T) {
	t.Parallel()
	path := func(dir, name string) string { return filepath.Join(dir, FileName+name) }
	for name, cut := range map[string]func(t *testing.T, dir string){
		"the copy's name is taken": func(t *testing.T, dir string) { spoil(t, path(dir, ".v1.pending"), 0) },
		"the copy is half written": func(t *testing.T, dir string) {
			spoil(t, path(dir, ".v1.pending"), 0)
			spoil(t, path(dir, ".v1.pending.partial"), 5000)
		},
		"all steps, three times over": func(t *testing.T, dir string) { kill(t, dir); kill(t, dir); kill(t, dir) },
		"committed, the copy not yet named": func(t *testing.T, dir string) {
			j, err := open(dir, Options{}, migrations())
			require.NoError(t, err)
			require.NoError(t, j.Close())
			require.NoError(t, os.Rename(path(dir, ".v1"), path(dir, ".v1.pending")))
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := folderOf(t, 1)
			before := contents(t, path(dir, ""))
			cut(t, dir)
			requireForward(t, dir, 1, before)
		})
	}
}

// spoil writes so many bytes of nothing.
func spoil(t *testing.T, path string, size int) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, make([]byte, size), 0o600))
}

// kill ends a process, by SIGKILL, after the steps and before their commit.
func kill(t *testing.T, dir string) {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), MigrationVictim+"="+dir)
	cmd.Stderr = t.Output()
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	line := make([]byte, 5)
	_, err = io.ReadFull(out, line)
	require.NoError(t, err)
	require.Equal(t, "here\n", string(line))
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
}

// requireForward opens the journal, requires that what it held is all there, and
// that the copy alone stays beside it.
func requireForward(t *testing.T, dir string, format int, before map[string]string) {
	t.Helper()
	j := openTest(t, dir, migrations())
	require.NoError(t, j.Check(t.Context()))
	require.NoError(t, j.Close())
	requireHolds(t, filepath.Join(dir, FileName), before)
	want := []string{FileName, FileName + begun}
	if format < len(migrations()) {
		kept := fmt.Sprintf("%s.v%d", FileName, format)
		want = append(want, kept)
		require.Equal(t, before, contents(t, filepath.Join(dir, kept)))
	}
	got, err := filepath.Glob(filepath.Join(dir, FileName+"*"))
	require.NoError(t, err)
	for i := range got {
		got[i] = filepath.Base(got[i])
	}
	require.Equal(t, want, got)
}

// requireHolds wants every table and column of before, unchanged.
func requireHolds(t *testing.T, path string, before map[string]string) {
	t.Helper()
	after := contents(t, path)
	for name, rows := range before {
		if name == "series" { // format 2 has added a column to it
			require.NotEmpty(t, after[name])
			continue
		}
		require.Equal(t, rows, after[name], name)
	}
}

// contents are the rows of every table as text, but for their sums.
func contents(t *testing.T, path string) map[string]string {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "query_only(1)"))
	require.NoError(t, err)
	defer db.Close()
	ctx := context.Background()
	names := column(t, db, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY 1")
	all := map[string]string{}
	for _, name := range names {
		columns := column(t, db, "SELECT group_concat('quote(' || name || ')', '||'' ''||') FROM pragma_table_info('"+name+"') WHERE name <> 'crc'")
		var rows string
		require.NoError(t, db.QueryRowContext(ctx, "SELECT '(' || count(*) || ' rows)' || ifnull(group_concat(line, char(10)), '') FROM (SELECT "+columns[0]+" AS line FROM "+name+" ORDER BY 1)").Scan(&rows))
		all[name] = rows
	}
	return all
}

func column(t *testing.T, db *sql.DB, text string) (values []string) {
	t.Helper()
	rows, err := db.QueryContext(context.Background(), text)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var v string
		require.NoError(t, rows.Scan(&v))
		values = append(values, v)
	}
	require.NoError(t, rows.Err())
	return values
}
