package main

import (
	"context"
	"os"
	"path/filepath"
	"runtime/debug"
	measured "runtime/metrics"
	"strconv"
	"strings"
	"time"
)

const (
	// gcPercent trades a little processor for memory: at rest the daemon shares a
	// small machine. GOGC in the environment goes before it.
	gcPercent = 40
	// lookAtMemory is how often memory that is no longer used is looked for:
	// hashing a password takes 19 MB, a big export or a restart some more.
	lookAtMemory = time.Minute
	// worthFreeing is how much must lie idle or be garbage; above muchHeap the collection that
	// freeing takes costs more than a machine with so many batches gains.
	worthFreeing, muchHeap = 1 << 20, 256 << 20
)

// saveMemory keeps the resident memory near what is in use, until ctx ends.
func saveMemory(ctx context.Context) {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	if most := memoryLimit("/"); most > 0 && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(most / 4 * 3) // the record's own memory is not Go's
	}
	tick := time.NewTicker(lookAtMemory)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if idle, used := heapNow(); idle > worthFreeing && used < muchHeap {
				debug.FreeOSMemory()
			}
			forgetProgram()
		}
	}
}

// memoryLimit is the least limit, in bytes, of the control groups that we run in
// (cgroups(7), both versions), below root; 0: none. The kernel kills who goes above it.
func memoryLimit(root string) int64 {
	groups, _ := os.ReadFile(filepath.Join(root, "proc/self/cgroup"))
	least := int64(0)
	for line := range strings.Lines(string(groups)) {
		parts := strings.SplitN(strings.TrimSpace(line), ":", 3)
		if len(parts) != 3 {
			continue
		}
		mount, file := "sys/fs/cgroup", "memory.max"
		switch parts[1] {
		case "":
		case "memory":
			mount, file = "sys/fs/cgroup/memory", "memory.limit_in_bytes"
		default:
			continue
		}
		for group := filepath.Join("/", parts[2]); ; group = filepath.Dir(group) { // a container sees its own as the root
			text, _ := os.ReadFile(filepath.Join(root, mount, group, file))
			if n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64); err == nil && n < 1<<50 && (least == 0 || n < least) {
				least = n
			}
			if group == "/" {
				break
			}
		}
	}
	return least
}

// heapNow gives the bytes that the heap holds without need, garbage too as far as
// is known, and those in use.
func heapNow() (idle, used uint64) {
	s := []measured.Sample{{Name: "/memory/classes/heap/free:bytes"}, {Name: "/memory/classes/heap/objects:bytes"}, {Name: "/gc/heap/live:bytes"}}
	measured.Read(s)
	used = s[1].Value.Uint64()
	return s[0].Value.Uint64() + used - min(used, s[2].Value.Uint64()), used
}
