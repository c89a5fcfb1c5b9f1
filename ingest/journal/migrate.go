package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
)

// migrate brings the file from its user_version to the number of steps, all in
// one transaction. A file that held something before is copied first, to FILE.v1
// and so on; the copy is for a person to keep or delete. Killed at any moment,
// the file is of the one format or the other, and the next start goes on.
func migrate(ctx context.Context, conn *sql.Conn, path string, steps []string) error {
	version, err := formatOf(ctx, conn)
	if err != nil {
		return err
	}
	switch {
	case version > len(steps):
		return fmt.Errorf("%w: %s has format %d and this ebbline knows formats up to %d: install the newer one, or restore a backup made before", ErrNewer, path, version, len(steps))
	case version == len(steps):
		return nameCopies(path, len(steps))
	}
	pending := ""
	if version > 0 {
		pending = pendingCopy(path, version)
		if err := keepCopy(ctx, conn, pending); err != nil {
			return fmt.Errorf("keep a copy in format %d before changing it: %w", version, err)
		}
	}
	if err := runSteps(ctx, conn, version, steps); err != nil {
		if pending != "" {
			err = errors.Join(err, os.Remove(pending))
		}
		return fmt.Errorf("bring the record from format %d to %d (nothing was changed): %w", version, len(steps), describe(err))
	}
	return nameCopies(path, len(steps))
}

// formatOf reads the version, and refuses a database that is not ours.
func formatOf(ctx context.Context, conn *sql.Conn) (int, error) {
	var version, app, tables int
	err := conn.QueryRowContext(ctx, `SELECT (SELECT user_version FROM pragma_user_version),
		(SELECT application_id FROM pragma_application_id), (SELECT count(*) FROM sqlite_schema)`).Scan(&version, &app, &tables)
	if err != nil {
		return 0, describe(err)
	}
	if app != applicationID && (tables > 0 || app != 0) {
		return 0, errors.New(FileName + " is a database of another program: move it away or choose another data folder")
	}
	return version, nil
}

func runSteps(ctx context.Context, conn *sql.Conn, version int, steps []string) (err error) {
	if _, err = conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_, back := conn.ExecContext(ctx, "ROLLBACK")
			err = errors.Join(err, back)
		}
	}()
	for _, step := range steps[version:] {
		if _, err = conn.ExecContext(ctx, step); err != nil {
			return err
		}
	}
	_, err = conn.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT", applicationID, len(steps)))
	return err
}

// pendingCopy is the copy's name until the change it was made for is committed.
// There is one of a format at most, however often a change is cut short.
func pendingCopy(path string, version int) string {
	return fmt.Sprintf("%s.v%d.pending", path, version)
}

// keepCopy writes a copy, in place of what an attempt cut short has left.
func keepCopy(ctx context.Context, conn *sql.Conn, pending string) error {
	for _, left := range []string{pending, pending + partial} {
		if err := os.Remove(left); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return vacuumInto(ctx, conn, pending, nil)
}

// nameCopies gives the copies of formats below now, whose change is committed,
// their names for good, each one that is still free.
func nameCopies(path string, now int) error {
	for version := 1; version < now; version++ {
		pending := pendingCopy(path, version)
		if !exists(pending) {
			continue
		}
		kept := fmt.Sprintf("%s.v%d", path, version)
		for i := 2; exists(kept); i++ { // the folder is ours alone: nobody takes the name meanwhile
			kept = fmt.Sprintf("%s.v%d-%d", path, version, i)
		}
		if err := os.Rename(pending, kept); err != nil {
			return fmt.Errorf("name the copy in format %d: %w", version, err)
		}
	}
	return nil
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return !errors.Is(err, os.ErrNotExist)
}
