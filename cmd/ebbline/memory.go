package main

import (
	"context"
	"os"
	"runtime/debug"
	measured "runtime/metrics"
	"time"
)

const (
	// gcPercent trades a little processor for memory: at rest the daemon shares a
	// small machine. GOGC in the environment goes before it.
	gcPercent = 40
	// lookAtMemory is how often memory that is no longer used is looked for:
	// hashing a password takes 64 MB, a big export or a restart some more.
	lookAtMemory = time.Minute
	// worthFreeing is how much must lie idle; above muchHeap the collection that
	// freeing takes costs more than a machine with so many batches gains.
	worthFreeing, muchHeap = 2 << 20, 256 << 20
)

// saveMemory keeps the resident memory near what is in use, until ctx ends.
func saveMemory(ctx context.Context) {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
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
		}
	}
}

// heapNow gives the bytes that the heap holds without need, and those in use.
func heapNow() (idle, used uint64) {
	s := []measured.Sample{{Name: "/memory/classes/heap/free:bytes"}, {Name: "/memory/classes/heap/objects:bytes"}}
	measured.Read(s)
	return s[0].Value.Uint64(), s[1].Value.Uint64()
}
