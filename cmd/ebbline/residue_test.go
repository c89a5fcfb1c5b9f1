package main

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Law: giving back the program's pages frees some and harms nothing. Not in
// parallel: others would bring theirs in meanwhile.
func TestTheProgramsPagesAreGivenBack(t *testing.T) {
	resident := func() int {
		raw, err := os.ReadFile("/proc/self/status")
		require.NoError(t, err)
		_, rest, found := strings.Cut(string(raw), "RssFile:")
		require.True(t, found)
		kB, err := strconv.Atoi(strings.Fields(rest)[0])
		require.NoError(t, err)
		return kB
	}
	before := resident()
	forgetProgram()
	require.Less(t, resident(), before-500)
	require.Equal(t, exitDone, run([]string{"plan", "--og", "1.0155", "--ceiling", "0.5"}, nil, t.Output(), t.Output()))
	from, to := span("7f1000-7f3000")
	require.Equal(t, [2]uintptr{0x7f1000, 0x7f3000}, [2]uintptr{from, to})
	from, to = span("no-address")
	require.Equal(t, [2]uintptr{}, [2]uintptr{from, to})
}
