// Package deploy holds no code, only what is installed; its tests prove what can
// be proven without installing it. deploy/try-deb.sh does the rest.
package deploy

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"

	"ebbline/cmd/ebbline/config"
	"ebbline/deploy/porttest"
)

const unit = "systemd/ebbline.service"

// TestTheUnitIsKnownToSystemd asks systemd itself, with a program in place of
// ours that is there.
func TestTheUnitIsKnownToSystemd(t *testing.T) {
	text := bytes.ReplaceAll(read(t, unit), []byte("/usr/bin/ebbline"), []byte("/bin/true"))
	path := filepath.Join(t.TempDir(), "ebbline.service")
	require.NoError(t, os.WriteFile(path, text, 0o600))
	out, err := exec.Command("systemd-analyze", "verify", "--man=no", path).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Empty(t, string(out))
}

// TestTheUnitMayDoLittle: systemd's own score, 0 for a program that may do
// nothing to 10; the threshold is in tenths.
func TestTheUnitMayDoLittle(t *testing.T) {
	out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=15", unit).CombinedOutput()
	require.NoError(t, err, "%s", out)
	score := regexp.MustCompile(`Overall exposure level for ebbline.service: (\S+)`).FindSubmatch(out)
	require.NotNil(t, score, "%s", out)
	require.Contains(t, string(read(t, "README.md")), "gives "+string(score[1])+" (systemd", "deploy/README.md states the score")
}

// TestTheUnitRestartsWhateverEndedIt: a Go program that panics, or is ended by the
// watchdog's SIGABRT, exits with 2 (package runtime), so no status may be excepted.
func TestTheUnitRestartsWhateverEndedIt(t *testing.T) {
	text := string(read(t, unit))
	require.Contains(t, text, "\nRestart=always\n")
	require.Contains(t, text, "\nStartLimitIntervalSec=0\n")
	require.NotRegexp(t, `(?m)^(RestartPreventExitStatus|SuccessExitStatus)=`, text)
}

// TestThePackageHoldsWhatTheUnitNeeds reads the list of contents.
func TestThePackageHoldsWhatTheUnitNeeds(t *testing.T) {
	var p struct {
		Scripts  map[string]string
		Contents []struct{ Src, Dst, Type string }
	}
	require.NoError(t, yaml.Unmarshal(read(t, "debian/nfpm.yaml"), &p))
	holds := map[string]string{}
	for _, c := range p.Contents {
		holds[c.Dst] = c.Type
		if c.Src != "" && !strings.HasPrefix(c.Src, "${TREE}/") {
			require.FileExists(t, filepath.Join("..", c.Src))
		}
	}
	require.Equal(t, "config", holds["/etc/ebbline/ebbline.yaml"], "a file of the administrator's")
	require.Equal(t, "dir", holds["/etc/ebbline"])
	require.Contains(t, holds, "/lib/systemd/system/ebbline.service")
	require.Contains(t, holds, "/usr/share/doc/ebbline/LICENSES", "the licences of what is in the binary")
	start := regexp.MustCompile(`(?m)^ExecStart=(\S+) serve --config (\S+)$`).FindSubmatch(read(t, unit))
	require.NotNil(t, start)
	require.Contains(t, holds, string(start[1]))
	require.Contains(t, holds, string(start[2]))

	require.Len(t, p.Scripts, 3)
	for name, path := range p.Scripts {
		out, err := exec.Command("sh", "-n", filepath.Join("..", path)).CombinedOutput()
		require.NoError(t, err, "%s: %s", name, out)
		require.Contains(t, string(read(t, filepath.Join("..", path))), "\nset -e\n", name)
	}
}

// TestTheConfigurationsShippedAreGood loads them as the daemon does.
func TestTheConfigurationsShippedAreGood(t *testing.T) {
	cfg, err := config.Load("debian/ebbline.yaml")
	require.NoError(t, err)
	require.Equal(t, "/var/lib/ebbline", cfg.Data)
	require.Contains(t, string(read(t, unit)), "\nStateDirectory=ebbline\n", "the unit may write there")
	require.Equal(t, config.DefaultMQTTListen, cfg.MQTT.Listen, "nobody from outside until someone says so")
	require.Equal(t, config.DefaultPageListen, cfg.Page.Listen)

	cfg, err = config.Load("container/ebbline.yaml")
	require.NoError(t, err)
	require.Equal(t, "/var/lib/ebbline", cfg.Data)
	require.Equal(t, "tcp://broker:1883", cfg.MQTT.URL)
}

// TestTheContainersFilesAreThere: what is copied or mounted from here exists, and
// services are called as they are named.
func TestTheContainersFilesAreThere(t *testing.T) {
	for _, line := range regexp.MustCompile(`(?m)^COPY ([^-].*)$`).FindAllStringSubmatch(string(read(t, "container/Containerfile")), -1) {
		words := strings.Fields(line[1])
		for _, src := range words[:len(words)-1] {
			_, err := os.Stat(filepath.Join("..", src))
			require.NoError(t, err)
		}
	}
	var compose struct {
		Services map[string]struct {
			Build     struct{ Context, Dockerfile string }
			Image     string
			Volumes   []string
			DependsOn []string `yaml:"depends_on"`
		}
		Volumes map[string]any
	}
	require.NoError(t, yaml.Unmarshal(read(t, "container/compose.yaml"), &compose))
	require.Len(t, compose.Services, 5)
	for name, s := range compose.Services {
		require.NotEmpty(t, s.Image, name)
		for _, other := range s.DependsOn {
			require.Contains(t, compose.Services, other)
		}
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			switch {
			case strings.HasPrefix(from, "./secrets"): // made where it is run, kept out of git
			case strings.HasPrefix(from, "."):
				_, err := os.Stat(filepath.Join("container", from))
				require.NoError(t, err, "%s mounts %s", name, from)
			default:
				require.Contains(t, compose.Volumes, from)
			}
		}
		if s.Build.Dockerfile != "" {
			require.FileExists(t, filepath.Join("container", s.Build.Context, s.Build.Dockerfile))
		}
	}
}

// TestTheContainersBrokerTakesItsUsersOnly starts a real mosquitto with the file
// that compose.yaml mounts, its paths and port moved here.
func TestTheContainersBrokerTakesItsUsersOnly(t *testing.T) {
	dir := t.TempDir()
	port := strconv.Itoa(porttest.Free(t))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "data"), 0o700))
	acl := filepath.Join(dir, "ebbline.acl")
	require.NoError(t, os.WriteFile(acl, read(t, "mosquitto/ebbline.acl"), 0o600))
	passwords := filepath.Join(dir, "passwords")
	require.NoError(t, os.WriteFile(passwords, nil, 0o600))
	out, err := exec.Command("mosquitto_passwd", "-b", passwords, "float-1", "a word").CombinedOutput()
	require.NoError(t, err, "%s", out)
	text := strings.NewReplacer("listener 1883", "listener "+port+" 127.0.0.1", "/mosquitto/secrets/passwords", passwords,
		"/mosquitto/config/ebbline.acl", acl, "/mosquitto/data/", filepath.Join(dir, "data")+"/").Replace(string(read(t, "container/mosquitto.conf")))
	text += "\nuser root\n" // if it is run as root: its own user reads nothing in a test's folder
	conf := filepath.Join(dir, "mosquitto.conf")
	require.NoError(t, os.WriteFile(conf, []byte(text), 0o600))
	broker := exec.Command("mosquitto", "-c", conf)
	var said bytes.Buffer
	broker.Stdout, broker.Stderr = &said, &said
	require.NoError(t, broker.Start())
	t.Cleanup(func() { _ = broker.Process.Kill(); _ = broker.Wait() })
	publish := func(args ...string) error {
		return exec.Command("mosquitto_pub", append([]string{"-h", "127.0.0.1", "-p", port, "-q", "1", "-t", "cellar/float-1", "-m", "1"}, args...)...).Run()
	}
	require.Eventually(t, func() bool { return publish("-u", "float-1", "-P", "a word") == nil }, 2*time.Minute, 100*time.Millisecond, "%s", &said)
	require.Error(t, publish(), "nobody without a name")
	require.Error(t, publish("-u", "float-1", "-P", "another"))
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return b
}
