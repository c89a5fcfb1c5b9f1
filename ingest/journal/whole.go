package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
)

// The ends of the names of marks beside the file: a record was complete here once;
// one was gone when a journal was opened, which has begun a new one.
const (
	begun = ".begun"
	gone  = ".gone"
)

// goneFor is how long it is said that a record was begun anew.
const goneFor = 7 * 24 * time.Hour

// markBegun leaves the mark.
func markBegun(path string) error {
	f, err := os.OpenFile(path+begun, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f, "There is a record in this folder: an empty %s is damage, not a first start.\n", filepath.Base(path))
	return errors.Join(err, f.Close())
}

// hadRecord reports whether there was a record. A first start that was cut short
// leaves an empty file, but neither the mark, nor a log with something in it (SQLite
// would throw that away), nor copies of older formats; those are also beside a
// record that was begun anew.
func hadRecord(path string) bool {
	log, err := os.Stat(path + "-wal")
	older, _ := filepath.Glob(path + ".v*") // only a bad pattern is an error
	return exists(path+begun) || err == nil && log.Size() > 0 || len(older) > 0 && !exists(path+gone)
}

// requireFirst refuses an empty file where there was a record.
func requireFirst(path string) error {
	info, err := os.Stat(path)
	if err == nil && info.Size() == 0 && hadRecord(path) {
		return &damage{found: "the file is empty, and there was something in it before"}
	}
	return err // what is in it is looked into later
}

// markAnew marks that a record is gone, if there was one, so that it is told also if
// this start is cut short, and keeps the log that it left.
func (j *Journal) markAnew() error {
	if !hadRecord(j.path) {
		return nil
	}
	j.log.Error("the record is gone, and a new one is begun: what was recorded before, and batches made on the page, are not in it; restore a backup (ebbline restore --help says how)",
		"record", j.path, "mark", j.path+gone)
	text := fmt.Sprintf("%s was gone when ebbline started, and a new record was begun.\nRestore a backup, or delete this file if nothing is missed.\n", filepath.Base(j.path))
	if err := os.WriteFile(j.path+gone, []byte(text), 0o600); err != nil {
		return err
	}
	err := os.Rename(j.path+"-wal", j.path+gone+"-wal")
	if err == nil || errors.Is(err, os.ErrNotExist) {
		err = os.Remove(j.path + begun) // it is of the old one
	}
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// BegunAnew is when the record in a folder was found gone and begun anew; false if
// it was not, if a person has deleted the mark of it, or a week later.
func BegunAnew(dir string) (at time.Time, mark string, anew bool) {
	mark = filepath.Join(dir, FileName) + gone
	info, err := os.Stat(mark)
	if err != nil || time.Since(info.ModTime()) > goneFor {
		return at, mark, false
	}
	return info.ModTime(), mark, true
}

// requireWhole refuses a file that is shorter than its own header says. SQLite
// itself notices only when it comes to a page that is missing, which may be long
// after new readings were written around the hole. With a log beside it the file
// may be shorter, for the rest is in there.
//
// Source of the header's layout: the SQLite file format, sqlite.org/fileformat2.html, 1.3.
func requireWhole(path string) error {
	if log, err := os.Stat(path + "-wal"); err == nil && log.Size() > 0 {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	info, err := f.Stat()
	if err != nil || info.Size() == 0 { // a new one
		return err
	}
	header := make([]byte, 100)
	if _, err := io.ReadFull(f, header); errors.Is(err, io.ErrUnexpectedEOF) {
		return nil // SQLite knows what to say of it
	} else if err != nil {
		return err
	}
	pageSize, pages := int64(binary.BigEndian.Uint16(header[16:])), int64(binary.BigEndian.Uint32(header[28:]))
	if pageSize == 1 {
		pageSize = 65536
	}
	current := binary.BigEndian.Uint32(header[24:]) == binary.BigEndian.Uint32(header[92:])
	if want := pages * pageSize; current && info.Size() < want {
		return &damage{found: fmt.Sprintf("cut off, %d bytes of %d", info.Size(), want)}
	}
	return nil
}
