package main

import (
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

// version is set by releases with -ldflags "-X main.version=…".
var version = "development" //nolint:gochecknoglobals // the linker sets it

// VersionCmd prints what this binary is.
type VersionCmd struct{}

// Help is the long help with an example.
func (VersionCmd) Help() string { return "Example:\n  ebbline version" }

// Run prints version, commit if known, and platform.
func (VersionCmd) Run(out io.Writer) error {
	commit := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				commit = " " + s.Value[:min(12, len(s.Value))]
			}
		}
	}
	_, err := fmt.Fprintf(out, "ebbline %s%s %s/%s %s\n", version, commit, runtime.GOOS, runtime.GOARCH, runtime.Version())
	return err
}
