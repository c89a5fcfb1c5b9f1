package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
)

// migrate brings the file from its user_version to the number of steps. A file
// that held something before is copied first, to FILE.v1 and so on; the copy
// is for a person to keep or delete.
func migrate(ctx context.Context, conn *sql.Conn, path string, steps []string) error {
	version, err := formatOf(ctx, conn)
	if err != nil {
		return err
	}
	switch {
	case version > len(steps):
		return fmt.Errorf("%w: %s has format %d and this ebbline knows formats up to %d: install the newer one, or restore a backup made before", ErrNewer, path, version, len(steps))
	case version == len(steps):
		return nil
	}
	kept := ""
	if version > 0 {
		if kept, err = keepCopy(ctx, conn, path, version); err != nil {
			return fmt.Errorf("keep a copy in format %d before changing it: %w", version, err)
		}
	}
	if err := runSteps(ctx, conn, version, steps); err != nil {
		if kept != "" {
			err = errors.Join(err, os.Remove(kept))
		}
		return fmt.Errorf("bring the journal from format %d to %d (nothing was changed): %w", version, len(steps), describe(err))
	}
	return nil
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

// keepCopy writes a copy next to the file, under a name that is still free.
func keepCopy(ctx context.Context, conn *sql.Conn, path string, version int) (string, error) {
	for i := 1; ; i++ {
		kept := fmt.Sprintf("%s.v%d", path, version)
		if i > 1 {
			kept = fmt.Sprintf("%s-%d", kept, i)
		}
		err := vacuumInto(ctx, conn, kept)
		if !errors.Is(err, os.ErrExist) {
			return kept, err
		}
	}
}
