package main

import (
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

var updateCheck = flag.Bool("update-check", false, "write the golden file of check's dry run anew")

// TestCheckTellsWhatWouldBeSent is the dry run: in plain words, with its cautions,
// and nothing goes out (the broker of that file does not exist).
func TestCheckTellsWhatWouldBeSent(t *testing.T) {
	status, out, errs := check(t, "--offline", checkFiles+"good/outward.yaml")
	require.Equal(t, exitDone, status, errs)
	require.NotContains(t, out, "long-random-path", "the watcher's address may be a secret")
	golden := checkFiles + "good/outward.txt"
	if *updateCheck {
		require.NoError(t, os.WriteFile(golden, []byte(out), 0o600))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), out)
}
