package journal

import (
	"errors"
	"fmt"
	"os"
)

// seat is where the record's file was opened. Writing goes on well into a file that
// is moved or deleted meanwhile, and the next start would know nothing of it.
type seat struct {
	path string
	file *os.File // kept open, so that the kernel gives its number to no other file
}

// hold opens the file once more. It may be closed only after SQLite's own: closing
// any descriptor of a file lets go of the process's locks on it (fcntl(2)).
func hold(path string) (*seat, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	return &seat{path, f}, nil
}

// kept reports by an error that the file, or another beside it, is not where the next
// start will look for it; names are without the file's.
func (p *seat) kept(names ...string) error {
	ours, err := p.file.Stat()
	if err != nil {
		return err
	}
	for _, name := range names {
		path := p.path + name
		there, err := os.Stat(path)
		switch {
		case errors.Is(err, os.ErrNotExist):
			return fmt.Errorf("%s was moved or deleted while ebbline runs; move it back, or stop ebbline, put a backup there (ebbline restore) and start it again", path)
		case err != nil:
			return err
		case name == "" && !os.SameFile(ours, there):
			return fmt.Errorf("%s was replaced by another file while ebbline runs; stop ebbline, make sure that the right one is there, and start it again", path)
		}
	}
	return nil
}

func (p *seat) close() error {
	if p == nil {
		return nil
	}
	return p.file.Close()
}
