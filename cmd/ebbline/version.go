package main

import (
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

// Set by deploy/package.sh with -ldflags "-X main.version=… -X main.commit=…".
var (
	version = "development" //nolint:gochecknoglobals // the linker sets it
	commit  = ""            //nolint:gochecknoglobals // likewise
)

// VersionCmd prints what this binary is.
type VersionCmd struct{}

// Help is the long help with an example.
func (VersionCmd) Help() string { return "Example:\n  ebbline version" }

// Run prints version, commit, Go version and platform.
func (VersionCmd) Run(out io.Writer) error {
	_, err := fmt.Fprintf(out, "ebbline %s, commit %s, %s, %s/%s\n", version, builtFrom(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

// builtFrom is the commit of this binary; "go build" notes it when it is run in
// a clone.
func builtFrom() string {
	if commit != "" {
		return commit
	}
	revision, changed := "unknown", ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision":
				revision = s.Value[:min(12, len(s.Value))]
			case s.Key == "vcs.modified" && s.Value == "true":
				changed = " and changes"
			}
		}
	}
	return revision + changed
}
