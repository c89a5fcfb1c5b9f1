package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

const lockName = "lock"

// lockFolder takes the folder for this process. The kernel lets go of it when
// the process ends, however it ends; the file stays.
func lockFolder(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock file: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		holder, _ := os.ReadFile(path)
		_ = f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		who := strings.TrimSpace(string(holder))
		if who == "" {
			who = "a process that is starting"
		}
		return nil, fmt.Errorf("%w by %s: stop that ebbline first, or give this one another data folder than %s", ErrInUse, who, dir)
	}
	if err := signLock(f); err != nil {
		_ = unlockFolder(f)
		return nil, fmt.Errorf("write the lock file: %w", err)
	}
	return f, nil
}

func signLock(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt(fmt.Appendf(nil, "process %d (%s)\n", os.Getpid(), filepath.Base(os.Args[0])), 0)
	return err
}

// unlockFolder lets go of the folder. The file is kept: removing it would let
// two processes lock two files of one name. Closing alone is not enough: a child
// that is being started shares the lock until it runs its program (flock(2)).
func unlockFolder(f *os.File) error {
	return errors.Join(f.Truncate(0), unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}
