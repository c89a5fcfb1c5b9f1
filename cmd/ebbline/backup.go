package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"syscall"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
)

// BackupCmd copies the record, also while the daemon runs.
type BackupCmd struct {
	Config string `type:"path" placeholder:"FILE" help:"Configuration file that names the data folder."`
	To     string `arg:"" type:"path" help:"File to write; it must not exist yet."`
}

// Help is the long help with an example.
func (BackupCmd) Help() string {
	return `The copy is consistent, can be taken while the daemon runs, and is checked before this says
that it is done. ebbline restore puts it back. A copy of a damaged record does not get the name
FILE but FILE.damaged, and the exit status is 1: keep the older backups then.

Example:
  ebbline backup --config /etc/ebbline.yaml ebbline-friday.db`
}

// Run writes the copy.
func (c *BackupCmd) Run(out io.Writer) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	held, err := journal.BackupFolder(context.Background(), cfg.Data, c.To)
	if err != nil {
		return pathHint(err)
	}
	if _, err = fmt.Fprintf(out, "The record in %s is copied to %s and the copy is sound: %s\n", cfg.Data, c.To, heldWords(held)); err != nil {
		return err
	}
	return sayAnew(out, cfg.Data)
}

// pathHint adds to a fault of a path what to do about it.
func pathHint(err error) error {
	switch {
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%w; give a name that does not exist yet", err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w; look whether the path is right, and whether --config names the daemon's own configuration", err)
	case errors.Is(err, syscall.ENOSPC):
		return fmt.Errorf("%w: the disk that is written to is full; free some space there or write to another disk", err)
	}
	return err
}
