// Package prometheus_test asks Prometheus's own tool about what is shipped here.
package prometheus_test

import (
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestPromtoolAgrees: the scrape configuration and its rules are read, and each
// rule rings when it should and not before.
func TestPromtoolAgrees(t *testing.T) {
	for _, args := range [][]string{
		{"check", "config", "prometheus.yml"},
		{"check", "rules", "ebbline.rules.yml"},
		{"test", "rules", "ebbline.rules.test.yml"},
	} {
		out, err := exec.Command("promtool", args...).CombinedOutput()
		require.NoError(t, err, "promtool %v says:\n%s", args, out)
	}
}
