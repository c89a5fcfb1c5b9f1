package main

import (
	"bufio"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// forgetProgram gives back the pages of the program's own file that were read, at
// the start above all: some 10 MB that are not needed again. Linux would take
// them by itself when memory gets scarce; what is needed comes back from its
// cache. Only mappings that cannot be written to and of which nothing was changed
// are touched, by proc_pid_smaps(5) and madvise(2).
func forgetProgram() {
	exe, err := os.Executable()
	if err != nil {
		return
	}
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return // not Linux, or no /proc: nothing is gained, nothing lost
	}
	defer func() { _ = f.Close() }()
	var at, to uintptr
	for lines := bufio.NewScanner(f); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		switch {
		case len(fields) >= 5 && strings.Contains(fields[0], "-"):
			at, to = 0, 0
			if strings.HasPrefix(fields[1], "r-") && fields[len(fields)-1] == exe {
				at, to = span(fields[0])
			}
		case len(fields) == 3 && fields[0] == "Anonymous:" && fields[1] == "0" && at < to:
			_, _, _ = unix.Syscall(unix.SYS_MADVISE, at, to-at, unix.MADV_DONTNEED)
		}
	}
}

// span reads the two addresses of a line of smaps.
func span(text string) (from, to uintptr) {
	a, b, _ := strings.Cut(text, "-")
	begin, err1 := strconv.ParseUint(a, 16, 64)
	end, err2 := strconv.ParseUint(b, 16, 64)
	if err1 != nil || err2 != nil {
		return 0, 0
	}
	return uintptr(begin), uintptr(end)
}
