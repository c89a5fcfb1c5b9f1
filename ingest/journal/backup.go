package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// Backup writes a consistent copy of the journal to path, which must not exist
// yet, while work goes on. Restoring is putting that file, named FileName, into
// an empty data folder.
func (j *Journal) Backup(ctx context.Context, path string) error {
	return backedUp(path, backup(ctx, j.path, path, nil))
}

func backedUp(to string, err error) error {
	if err != nil {
		return fmt.Errorf("back up the record to %s: %w", to, err)
	}
	return nil
}

// CopyFolder is Backup for a folder that a running daemon, or none, holds, to work
// on the copy.
func CopyFolder(ctx context.Context, dir, path string) error {
	if err := backup(ctx, filepath.Join(dir, FileName), path, nil); err != nil {
		if full(err) || errors.Is(err, syscall.ENOSPC) {
			return fmt.Errorf("write the copy %s: %w", path, err)
		}
		return fmt.Errorf("read the record in %s: %w", dir, err)
	}
	return nil
}

// BackupFolder is CopyFolder for a copy to rely on: it is checked before it has
// its name, and what it holds is given. A damaged one is ErrChanged and is kept as
// path.damaged: it may be all that is left of a bad disk.
func BackupFolder(ctx context.Context, dir, path string) (held Held, err error) {
	err = backup(ctx, filepath.Join(dir, FileName), path, func(copied string) (err error) {
		held, err = inspect(ctx, copied)
		return err
	})
	return held, backedUp(path, err)
}

// backup copies a file; check, if there is one, judges the copy.
func backup(ctx context.Context, from, to string, check func(copied string) error) error {
	if err := requireSome(from); err != nil {
		return err
	}
	db, err := openFile(from)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return describe(err)
	}
	defer func() { _ = conn.Close() }()
	return vacuumInto(ctx, conn, to, check)
}

// setAside keeps a copy that was found damaged under a name that says so.
func setAside(copied, path string, why error) error {
	aside := path + ".damaged"
	if !errors.Is(why, ErrChanged) {
		return why
	}
	if exists(aside) {
		return fmt.Errorf("the copy is no backup and is not kept (%s is there from before); keep the older backups, and write what is sound with ebbline export: %w", aside, why)
	}
	if err := os.Rename(copied, aside); err != nil {
		return errors.Join(err, why)
	}
	return fmt.Errorf("the copy is no backup and is kept as %s; keep the older backups, and write what is sound with ebbline export: %w", aside, why)
}

// partial is the end of the name of a copy that is being written.
const partial = ".partial"

// vacuumInto takes the name first (so that nothing is ever overwritten), writes
// the copy beside it, makes it durable and puts it in place in one step, if check
// (nil: none) finds nothing.
func vacuumInto(ctx context.Context, conn *sql.Conn, path string, check func(copied string) error) (err error) {
	name, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	unfinished := path + partial
	defer func() {
		if err != nil {
			_ = os.Remove(unfinished)
			_ = os.Remove(unfinished + "-journal") // SQLite's own, where the disk was full
			_ = os.Remove(path)
		}
	}()
	if err := name.Close(); err != nil {
		return err
	}
	f, err := os.OpenFile(unfinished, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := conn.ExecContext(ctx, "VACUUM INTO ?", unfinished); err != nil {
		return describeCopy(err)
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if check != nil {
		if err := check(unfinished); err != nil {
			return setAside(unfinished, path, err)
		}
	}
	if err := os.Rename(unfinished, path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// describeCopy is describe for an error of writing a copy: a disk that is full is that
// of the copy, for the record is only read.
func describeCopy(err error) error {
	if full(err) {
		return &fault{"the disk that the copy is written to is full, free some space there or write to another disk", err}
	}
	return describe(err)
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
