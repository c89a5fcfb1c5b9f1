package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// begun is the end of the name of a mark beside the file: a record was complete
// here once.
const begun = ".begun"

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

// requireFirst refuses an empty file where there was a record. A first start that
// was cut short leaves an empty file too, but neither the mark, nor a log with
// something in it (SQLite would throw that away), nor copies of older formats.
func requireFirst(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) { // a person has taken it away: the mark is of that one
		if err := os.Remove(path + begun); !errors.Is(err, os.ErrNotExist) {
			return err
		}
		return nil
	}
	if err == nil && info.Size() > 0 {
		return nil // it is looked into later
	}
	if err != nil {
		return err
	}
	log, err := os.Stat(path + "-wal")
	older, _ := filepath.Glob(path + ".v*") // only a bad pattern is an error
	if exists(path+begun) || err == nil && log.Size() > 0 || len(older) > 0 {
		return &damage{found: "the file is empty, and there was something in it before"}
	}
	return nil
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
