package main

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"strings"
	"syscall"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// PasswordCmd sets a new password for whoever has forgotten the one of the page.
type PasswordCmd struct {
	Config string `type:"path" placeholder:"FILE" help:"Configuration file that names the data folder."`
}

// Help is the long help with an example.
func (PasswordCmd) Help() string {
	return `For a forgotten password: draws a new one, prints it and logs every browser out. Tokens of
scripts stay good. Stop the daemon first, run this as the user it runs as, and start it again.
Whoever knows the password changes it on the page, under Access.

Example:
  ebbline password --config /etc/ebbline.yaml`
}

// Run draws, keeps and prints the password.
func (c *PasswordCmd) Run(out io.Writer) (err error) {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	if err := ownRecord(cfg.Data); err != nil {
		return err
	}
	j, err := journal.Open(cfg.Data, journal.Options{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err // it says what was opened, and where
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	password, _, err := newPassword(context.Background(), j)
	if err != nil {
		return err
	}
	if err := page.EndSessions(context.Background(), j); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "The new password of the page is %s. Every browser is logged out. Start ebbline again.\n", password)
	return err
}

// ownRecord refuses a folder without a record, and one of another user's: files
// made in it would not be the daemon's.
func ownRecord(dir string) error {
	info, err := os.Stat(dir + "/" + journal.FileName)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no record in %s: check the data folder in the configuration; a first start prints a first password", dir)
	}
	if err != nil {
		return fmt.Errorf("looking for the record: %w", err)
	}
	if of, ok := info.Sys().(*syscall.Stat_t); ok && int(of.Uid) != os.Geteuid() {
		return fmt.Errorf("the record in %s belongs to user %d: run this as that user, such as by sudo -u \\#%d", dir, of.Uid, of.Uid)
	}
	return nil
}

// passwordKey is where the journal keeps the password's hash.
const passwordKey = "password hash"

// noPassword is a hash that no password has.
const noPassword = "changed on the disk"

func (d *daemon) keepPassword(ctx context.Context, hash string) error {
	return d.journal.Set(ctx, passwordKey, hash)
}

// passwordHash reads the password's hash; at the first run it draws a password
// and prints it this once.
func (d *daemon) passwordHash(ctx context.Context) (string, error) {
	if d.demo {
		return "", nil
	}
	hash, ok, err := d.journal.Get(ctx, passwordKey)
	if errors.Is(err, journal.ErrChanged) {
		d.log.Error("the page's password was changed on the disk: nobody can log in until a new one is made with ebbline password", "error", err)
		return noPassword, nil
	}
	if err != nil || ok {
		return hash, err
	}
	password, hash, err := newPassword(ctx, d.journal)
	if err != nil {
		return "", err
	}
	fmt.Fprintf(os.Stderr, "The password of the page is %s. It is shown only this once; write it down.\n", password)
	return hash, nil
}

// newPassword draws a password and keeps its hash.
func newPassword(ctx context.Context, j *journal.Journal) (password, hash string, err error) {
	b := make([]byte, 10)
	if _, err := rand.Read(b); err != nil {
		return "", "", fmt.Errorf("drawing a password: %w", err)
	}
	password = strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(b))
	if hash, err = page.HashPassword(password); err != nil {
		return "", "", err
	}
	if err := j.Set(ctx, passwordKey, hash); err != nil {
		return "", "", fmt.Errorf("keeping the password: %w", err)
	}
	return password, hash, nil
}
