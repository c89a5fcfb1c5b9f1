package config

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// fault is one mistake in a configuration: it must be told at ◆, why, and what
// would have been allowed.
type fault struct {
	text, reason, allowed string
	// inside: the fault is one of values, such as a bound of a quantity with its
	// unit, which JSON Schema cannot say.
	inside bool
}

// pale is a batch without fault, as the last key of a file.
const pale = "batch: {name: pale wheat 12, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: 2026-03-02T18:00:00Z, sensors: []"

func faultsOfConfigurations() map[string]fault {
	return map[string]fault{
		"a key misspelt":                      {text: "data: /d\n◆mqqt: {}\n", reason: `unknown key "mqqt"`, allowed: `did you mean "mqtt"?`},
		"a key twice":                         {text: "page:\n  listen: 127.0.0.1:1\n  ◆listen: 127.0.0.1:2\n", reason: `key "listen" stands twice`, allowed: "first in line 2", inside: true},
		"a broker without scheme":             {text: "mqtt:\n  url: ◆10.0.0.5\n", reason: "not a URL", allowed: "did you mean tcp://10.0.0.5:1883?"},
		"a broker's name and port":            {text: "mqtt:\n  url: ◆broker.example:1884\n", reason: "not a URL", allowed: "did you mean tcp://broker.example:1884?"},
		"a list where keys belong":            {text: "mqtt: ◆[1]\n", reason: "keys are needed here", allowed: "url, listen, username"},
		"keys where a list belongs":           {text: "notify: ◆{ntfy: https://n.example/t}\n", reason: "a list is needed here", allowed: "- before each entry"},
		"a scheme that is none of a broker's": {text: "mqtt:\n  url: ◆http://broker.example\n", reason: `scheme "http"`, allowed: "tcp, ssl, ws, wss"},
		"a password in the file":              {text: "mqtt:\n  username: u\n  ◆password: p\n", reason: `unknown key "password"`, allowed: "password_file"},
		"a password in an address":            {text: "mirror: {influxdb: {url: ◆\"http://u:p@db.example\", bucket: b}}\n", reason: "no password in a URL", allowed: "token_file"},
		"no port to listen on":                {text: "page: {listen: ◆127.0.0.1}\n", reason: "not host:port", allowed: "127.0.0.1:8080"},
		"a port beyond all ports":             {text: "page: {listen: ◆\"127.0.0.1:70000\"}\n", reason: `port "70000"`, allowed: "0 (any free one) to 65535", inside: true},
		"a broker open to everybody":          {text: "mqtt: {listen: ◆\"0.0.0.0:1883\"}\n", reason: "can be reached from other machines", allowed: "users:", inside: true},
		"users beside an external broker":     {text: "mqtt:\n  url: tcp://b.example\n  users: ◆[{name: f, password_file: /f}]\n", reason: "users are those of the embedded broker", allowed: "username and password_file"},
		"a user without password":             {text: "mqtt: {users: [◆{name: float}]}\n", reason: "password_file is missing", allowed: "password_file: /etc/ebbline/float"},
		"a user without topics":               {text: "mqtt: {users: [{name: f, password_file: /f, publish: ◆[]}]}\n", reason: "publish nowhere", allowed: "[cellar/float/#]"},
		"a certificate without key":           {text: "page: {cert_file: ◆/c.pem}\n", reason: "cert_file needs key_file", allowed: "key_file"},
		"a secret in two places":              {text: "mirror: {influxdb: {url: http://d.example, bucket: b, token_file: /t, token_env: ◆T}}\n", reason: "token_file stands here too", allowed: "one of them"},
		"a secret for a variable's name":      {text: "mqtt: {username: u, password_env: ◆\"sword fish!\"}\n", reason: "not the name of an environment variable", allowed: "CELLAR_PASSWORD"},
		"no channel in an entry":              {text: "notify:\n  - ◆{name: phone}\n", reason: "each entry is one of", allowed: "webhook:, ntfy: or shoutrrr:"},
		"two channels in an entry":            {text: "notify:\n  - {webhook: http://a.example, ntfy: ◆https://n.example/t}\n", reason: "one channel an entry", allowed: "- ntfy:"},
		"no severities at all":                {text: "notify: [{webhook: http://a.example, severities: ◆[]}]\n", reason: "an empty list would send nothing", allowed: "info, warning, urgent"},
		"a severity that is none":             {text: "notify: [{webhook: http://a.example, severities: [◆loud]}]\n", reason: `"loud"`, allowed: "info, warning, urgent"},
		"a time span without unit":            {text: "alive: {url: https://w.example/p, every: ◆5}\n", reason: `"5" is not a time span`, allowed: "30m, 5h"},
		"a time span too long":                {text: "alive: {url: https://w.example/p, every: ◆25h}\n", reason: "25h", allowed: "1s to 24h", inside: true},
		"a time of day after midnight":        {text: "quiet: {from: \"22:30\", to: ◆\"24:30\"}\n", reason: `"24:30" is not a time of day`, allowed: `"00:00" to "23:59"`},
		"a zone of nowhere":                   {text: "timezone: ◆Europe/Atlantis\n", reason: `"Europe/Atlantis" is not known`, allowed: "IANA", inside: true},
		"a scale that is none":                {text: "units: {gravity: ◆brix}\n", reason: `"brix" is not known`, allowed: "sg, plato"},
		"a command to a wildcard":             {text: "on_crash_now:\n  - {sensor: f, topic: ◆cellar/+/set, payload: on}\n", reason: "holds a wildcard", allowed: "one topic"},
		"a unit of something else":            {text: "sensors:\n  - {name: f, topic: t, readings: [{quantity: gravity, pointer: /g, unit: ◆Cel}]}\n", reason: `"Cel" is not a unit of gravity`, allowed: "sg, plato, brix, kg/m3"},
		"a pointer that is none":              {text: "sensors:\n  - {name: f, topic: t, readings: [{quantity: gravity, pointer: ◆g, unit: sg}]}\n", reason: "a JSON Pointer starts with /", allowed: "/data/gravity"},
		"a filter with # in its middle":       {text: "sensors:\n  - {name: f, topic: ◆\"a/#/b\", readings: [{quantity: ph, pointer: /p}]}\n", reason: "# stands alone and last", allowed: "cellar/#"},
		"gravity without its point":           {text: strings.Replace(pale, "1.0132", "◆1013.2", 1) + "}\n", reason: "1013.2", allowed: "did you mean 1.0132?"},
		"a volume without unit":               {text: strings.Replace(pale, "19 L", "◆19", 1) + "}\n", reason: "has no unit", allowed: "19 L or 19 gal"},
		"a rule that is none":                 {text: pale + ", abv_rule: ◆ballin}\n", reason: `"ballin" is not known`, allowed: "balling, hmrc, linear, nonlinear, cautious"},
		"a temperature too high":              {text: pale + ", crash: {to: ◆60 Cel}}\n", reason: "60 Cel", allowed: "-5 to 20 Cel", inside: true},
		"a sensor that nobody defines":        {text: strings.Replace(pale, "[]", "[◆float-1]", 1) + "}\n", reason: `"float-1" is not defined`, allowed: "sensors:", inside: true},
		"a tab for spaces":                    {text: "page:\n◆\tlisten: x\n", reason: "not YAML", allowed: "blanks", inside: true},
	}
}

// Law: every mistake is told with file, line, column, the reason and what is
// allowed; and an editor that goes by the schema sees all that a schema can say.
func TestThirtyMistakes(t *testing.T) {
	all := faultsOfConfigurations()
	require.GreaterOrEqual(t, len(all), 30)
	s := editor(t)
	for name, f := range all {
		t.Run(name, func(t *testing.T) {
			before, after, _ := strings.Cut(f.text, "◆")
			text := before + after
			at := fmt.Sprintf("cellar.yaml:%d:%d: ", 1+strings.Count(before, "\n"), len(before)-strings.LastIndex(before, "\n"))
			_, err := Parse("cellar.yaml", []byte(text), home)
			require.Error(t, err)
			told := slices.IndexFunc(strings.Split(err.Error(), "\n"), func(line string) bool {
				return strings.HasPrefix(line, at) && strings.Contains(line, f.reason) && strings.Contains(line, f.allowed)
			})
			require.GreaterOrEqual(t, told, 0, "want %s%s … %s, told:\n%v", at, f.reason, f.allowed, err)
			if f.inside {
				return
			}
			require.Error(t, s.Validate(values(t, []byte(text))), "the editor too")
		})
	}
}
