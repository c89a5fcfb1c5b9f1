// Package quicktest runs long tests without the race detector, which makes the
// estimator and SQLite five to ten times slower and has nothing to find where one
// caller does one thing after the other. What several do at once stays under it.
package quicktest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Main runs a package's tests and takes away what Ran built for them.
func Main(m *testing.M) (code int) {
	defer func() { _ = os.RemoveAll(folder) }()
	return m.Run()
}

// folder holds what was built; empty if nothing was.
var folder string //nolint:gochecknoglobals // of a test's process

// Ran says that the test is done: this binary has the race detector, and the same test
// of one built without it passed. If false, the test is to be run here.
func Ran(t *testing.T) bool {
	t.Helper()
	if !raced() {
		return false
	}
	exe, err := build()
	require.NoError(t, err)
	out, err := exec.CommandContext(t.Context(), exe, "-test.v", "-test.run", "^"+t.Name()+"$").CombinedOutput()
	t.Logf("without the race detector:\n%s", out)
	require.NoError(t, err)
	require.Contains(t, string(out), "\n--- PASS: "+t.Name()+" ")
	return true
}

// raced tells whether this binary was built with the race detector.
func raced() bool {
	info, _ := debug.ReadBuildInfo()
	return slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
}

// build makes the test binary of the package in whose folder this process runs.
var build = sync.OnceValues(func() (string, error) { //nolint:gochecknoglobals // made once
	var err error
	if folder, err = os.MkdirTemp("", "ebbline-quick-"); err != nil {
		return "", err
	}
	exe := filepath.Join(folder, "quick.test")
	if out, err := exec.Command("go", "test", "-race=false", "-c", "-o", exe, ".").CombinedOutput(); err != nil { //nolint:noctx // ends by itself
		return "", fmt.Errorf("building the tests without the race detector: %w: %s", err, out)
	}
	return exe, nil
})
