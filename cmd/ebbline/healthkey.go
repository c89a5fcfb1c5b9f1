package main

import (
	"crypto/rand"
	"crypto/subtle"
	"net/http"
	"os"
	"path/filepath"
)

// The command health shows what the page shows as trouble, which names batches, files
// and channels and is not for everybody who reaches /readyz. So it brings a key that
// only who may read the data folder has; it is drawn anew at each start.
const (
	healthKeyFile   = "health.key"
	healthKeyHeader = "Ebbline-Health-Key"
)

// drawHealthKey puts a new key into the data folder. Without it the command shows what
// the daemon rests on.
func (d *daemon) drawHealthKey() {
	if d.demo {
		return // its folder is to be empty
	}
	key, path := rand.Text(), filepath.Join(d.conf().Data, healthKeyFile)
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		d.log.Warn("ebbline health shows the main points only", "error", err)
		return
	}
	if err := os.WriteFile(path, []byte(key), 0o600); err != nil {
		d.log.Warn("ebbline health shows the main points only", "error", err)
		return
	}
	d.healthKey = key
}

// bringsKey reports whether a request is of the command health.
func (d *daemon) bringsKey(r *http.Request) bool {
	key := r.Header.Get(healthKeyHeader)
	return d.healthKey != "" && subtle.ConstantTimeCompare([]byte(key), []byte(d.healthKey)) == 1
}

// healthKeyOf is the key of the daemon with this data folder.
func healthKeyOf(data string) (string, error) {
	raw, err := os.ReadFile(filepath.Join(data, healthKeyFile))
	return string(raw), err
}
