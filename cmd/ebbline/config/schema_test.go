package config

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

const deployed = "../../../deploy/"

// editor is what an editor makes of the schema: a validator of JSON Schema
// 2020-12 from outside the project.
func editor(t testing.TB) *jsonschema.Schema {
	t.Helper()
	raw, err := Schema()
	require.NoError(t, err)
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	require.NoError(t, c.AddResource("http://schema.invalid/ebbline.json", doc))
	s, err := c.Compile("http://schema.invalid/ebbline.json")
	require.NoError(t, err, "the schema holds to the draft's own schema")
	return s
}

// values are what a text means in YAML's core schema, which is that of JSON.
func values(t testing.TB, data []byte) any {
	t.Helper()
	var v any
	require.NoError(t, yaml.Load(data, &v, yaml.WithV4Defaults()))
	return plainValues(v)
}

// plainValues leaves the types that JSON has.
func plainValues(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k := range v {
			v[k] = plainValues(v[k])
		}
	case map[any]any:
		out := map[string]any{}
		for k, one := range v {
			out[k.(string)] = plainValues(one)
		}
		return out
	case []any:
		for i := range v {
			v[i] = plainValues(v[i])
		}
	case interface{ Format(string) string }: // a time.Time
		return v.Format("2006-01-02T15:04:05Z07:00")
	}
	return v
}

// Law: what is checked in for editors and readers is what the program says.
func TestWhatIsCheckedInIsWhatTheKeysSay(t *testing.T) {
	raw, err := Schema()
	require.NoError(t, err)
	for name, got := range map[string][]byte{"ebbline.schema.json": raw, "configuration.md": Reference()} {
		if *update {
			require.NoError(t, os.WriteFile(deployed+name, got, 0o600))
		}
		want, err := os.ReadFile(deployed + name)
		require.NoError(t, err)
		require.True(t, bytes.Equal(want, got), "deploy/%s is old: go test ./cmd/ebbline/config -run CheckedIn -update", name)
	}
}

// Law: an editor finds no fault with a file that the daemon takes. The files are
// all that are taken in tests and documentation.
func TestTheSchemaTakesWhatTheDaemonTakes(t *testing.T) {
	s := editor(t)
	names, err := filepath.Glob(testFiles + "good/*.yaml")
	require.NoError(t, err)
	captures, err := filepath.Glob("../../../testdata/captures/*/batch.yaml")
	require.NoError(t, err)
	names = append(names, captures...)
	require.Greater(t, len(names), 50)
	for _, name := range names {
		data, err := os.ReadFile(name)
		require.NoError(t, err)
		require.NoError(t, s.Validate(values(t, data)), name)
	}
	n := 0
	for _, text := range append(yamlOf(t, "../../../README.md"), yamlOf(t, deployed+"README.md")...) {
		if c, err := Parse("readme", []byte(text), home); err == nil {
			require.NoError(t, s.Validate(values(t, []byte(text))), text)
			require.NotNil(t, c)
			n++
		}
	}
	require.GreaterOrEqual(t, n, 3, "examples of the README")
	require.NoError(t, s.Validate(values(t, []byte(contractBatch))))
}

// yamlOf are the YAML examples in a document; none if it is not there.
func yamlOf(t testing.TB, name string) (all []string) {
	t.Helper()
	data, err := os.ReadFile(name)
	if os.IsNotExist(err) {
		return nil
	}
	require.NoError(t, err)
	for i, part := range strings.Split(string(data), "```") {
		if body, ok := strings.CutPrefix(strings.TrimSpace(part), "yaml\n"); ok && i%2 == 1 {
			all = append(all, body)
		}
	}
	return all
}
