package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// The limit of the control group counts, of whichever version and wherever in
// the tree it stands.
func TestTheMemoryLimitOfTheControlGroup(t *testing.T) {
	for name, c := range map[string]struct {
		groups string
		files  map[string]string
		want   int64
	}{
		"none":           {"0::/\n", map[string]string{"sys/fs/cgroup/memory.max": "max\n"}, 0},
		"no such system": {"", nil, 0},
		"service":        {"0::/system.slice/ebbline.service\n", map[string]string{"sys/fs/cgroup/system.slice/ebbline.service/memory.max": "67108864\n"}, 64 << 20},
		"its slice":      {"0::/a.slice/b.service\n", map[string]string{"sys/fs/cgroup/a.slice/memory.max": "67108864\n", "sys/fs/cgroup/a.slice/b.service/memory.max": "max\n"}, 64 << 20},
		"container":      {"0::/\n", map[string]string{"sys/fs/cgroup/memory.max": "67108864\n"}, 64 << 20},
		"version 1":      {"5:cpu:/x\n4:memory:/x\n0::/\n", map[string]string{"sys/fs/cgroup/memory/x/memory.limit_in_bytes": "67108864\n", "sys/fs/cgroup/memory/memory.limit_in_bytes": "9223372036854771712\n"}, 64 << 20},
		"from within":    {"4:memory:/outer/1\n", map[string]string{"sys/fs/cgroup/memory/memory.limit_in_bytes": "67108864\n"}, 64 << 20},
	} {
		t.Run(name, func(t *testing.T) {
			root := t.TempDir()
			write := func(name, text string) {
				path := filepath.Join(root, name)
				require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
				require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
			}
			write("proc/self/cgroup", c.groups)
			for name, text := range c.files {
				write(name, text)
			}
			require.Equal(t, c.want, memoryLimit(root))
		})
	}
}
