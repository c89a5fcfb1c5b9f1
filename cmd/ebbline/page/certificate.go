package page

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificateLook is how long a certificate is served before its files are
// looked at again.
const certificateLook = 5 * time.Second

// certificate serves a certificate from two PEM files and takes up new ones when
// they change, so that renewing it needs no restart. New files that cannot be
// used are said, and the old certificate goes on.
type certificate struct {
	of                string // the section of the configuration: "page" or "mqtt"
	certFile, keyFile string
	now               func() time.Time
	log               *slog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	stamp  [2]stamp
	looked time.Time
}

// stamp tells one state of a file from another.
type stamp struct {
	changed time.Time
	size    int64
}

// TLS is the configuration of a server, named by its section of the configuration, with the certificate of two PEM files,
// read anew when they change. Error: they cannot be used now.
func TLS(of, certFile, keyFile string, log *slog.Logger) (*tls.Config, error) {
	c := &certificate{of: of, certFile: certFile, keyFile: keyFile, now: time.Now, log: log}
	if err := c.load(); err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil },
	}, nil
}

func (c *certificate) stamps() (out [2]stamp, err error) {
	for i, name := range []string{c.certFile, c.keyFile} {
		f, err := os.Stat(name)
		if err != nil {
			return out, err
		}
		out[i] = stamp{f.ModTime(), f.Size()}
	}
	return out, nil
}

// load reads both files. Their state is noted before, so that what is written
// meanwhile is read the next time.
func (c *certificate) load() error {
	now, err := c.stamps()
	if err != nil {
		return fmt.Errorf("reading the certificate of %s: %w; %s.cert_file and %s.key_file must name PEM files that ebbline may read", c.of, err, c.of, c.of)
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fmt.Errorf("reading the certificate of %s from %s and %s: %w", c.of, c.certFile, c.keyFile, err)
	}
	c.pair, c.stamp = &pair, now
	return nil
}

// current is the certificate to serve.
func (c *certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now().Sub(c.looked) < certificateLook {
		return c.pair
	}
	c.looked = c.now()
	if now, err := c.stamps(); err == nil && now == c.stamp {
		return c.pair
	}
	if err := c.load(); err != nil {
		// Key and certificate are seldom written at once: it is tried again.
		c.log.Warn("a renewed certificate cannot be used, the old one goes on", "of", c.of, "error", errors.Unwrap(err), "files", c.certFile+", "+c.keyFile)
		return c.pair
	}
	c.log.Info("a renewed certificate has been taken up", "of", c.of, "until", c.pair.Leaf.NotAfter)
	return c.pair
}
