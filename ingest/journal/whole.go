package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

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
