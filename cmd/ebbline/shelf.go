package main

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// shelf keeps parts of watches in a file without a name, for one run of the
// daemon: it goes with the process, however that ends. The journal has all that
// is needed without it, so nothing is synced. Places are used again, because
// writing where something was already does not hold the record's commits up, as
// making a file longer does.
type shelf struct {
	dir string

	mu    sync.Mutex
	file  *os.File // nil: nothing was put yet
	end   int64
	free  map[int64][]int64 // offsets by room
	parts map[int64]berth
	last  int64
	fault error // of the last Put; nil: it went well
}

// berth is where a part lies.
type berth struct {
	at, room int64
	length   int
	sum      uint32 // CRC-32C
}

const (
	// shelfName is seen only if the machine dies while the file is made.
	shelfName = "parked"
	// shelfStep is what the room of a part is a multiple of, bytes.
	shelfStep = 64 << 10
)

func newShelf(dir string) *shelf {
	return &shelf{dir: dir, free: map[int64][]int64{}, parts: map[int64]berth{}}
}

// Put keeps a part.
func (s *shelf) Put(part []byte) (name int64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	defer func() { s.fault = err }()
	if err := s.open(); err != nil {
		return 0, fmt.Errorf("making the file for what is put aside: %w", err)
	}
	p := berth{
		at: s.end, room: (int64(len(part)) + shelfStep - 1) / shelfStep * shelfStep,
		length: len(part), sum: crc32.Checksum(part, crc32.MakeTable(crc32.Castagnoli)),
	}
	again := s.free[p.room]
	if n := len(again); n > 0 {
		p.at = again[n-1]
	}
	if _, err := s.file.WriteAt(part, p.at); err != nil {
		return 0, fmt.Errorf("putting %d kB aside: %w", len(part)/1000, unnamed(err))
	}
	if n := len(again); n > 0 {
		s.free[p.room] = again[:n-1]
	} else {
		s.end += p.room
	}
	s.last++
	s.parts[s.last] = p
	return s.last, nil
}

func (s *shelf) open() error {
	if s.file != nil {
		return nil
	}
	path := filepath.Join(s.dir, shelfName)
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	if err := os.Remove(path); err != nil {
		return errors.Join(err, file.Close())
	}
	s.file = file
	return nil
}

// Get reads a part.
func (s *shelf) Get(name int64) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p, there := s.parts[name]
	if !there {
		return nil, fmt.Errorf("part %d was not put aside", name)
	}
	part := make([]byte, p.length)
	if _, err := s.file.ReadAt(part, p.at); err != nil {
		return nil, fmt.Errorf("reading what was put aside: %w", unnamed(err))
	}
	if crc32.Checksum(part, crc32.MakeTable(crc32.Castagnoli)) != p.sum {
		return nil, errors.New("what was put aside has changed on the disk")
	}
	return part, nil
}

// unnamed is the fault without the name of a file that has none any more.
func unnamed(err error) error {
	if p := (*fs.PathError)(nil); errors.As(err, &p) {
		return p.Err
	}
	return err
}

// Drop gives the places of parts to others.
func (s *shelf) Drop(names ...int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, name := range names {
		if p, there := s.parts[name]; there {
			delete(s.parts, name)
			s.free[p.room] = append(s.free[p.room], p.at)
		}
	}
}

// trouble is why the last part could not be put, or nil.
func (s *shelf) trouble() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fault
}

// Close lets go of all.
func (s *shelf) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.file == nil {
		return nil
	}
	return s.file.Close()
}
