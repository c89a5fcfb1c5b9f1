package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// seed adds the test files of the project to a fuzz target.
func seed(f *testing.F) {
	f.Helper()
	files, err := filepath.Glob(testFiles + "*/*.yaml")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, name := range files {
		data, err := os.ReadFile(name)
		require.NoError(f, err)
		f.Add(data)
	}
	for _, one := range faultsOfConfigurations() {
		f.Add([]byte(strings.Replace(one.text, "◆", "", 1)))
	}
	f.Add([]byte(contractBatch))
	f.Add([]byte("a: &a [*a]"))
	f.Add([]byte("{? {} : }"))
}

// wellSaid checks that an error is made of places and single lines.
func wellSaid(t *testing.T, err error) {
	t.Helper()
	var all Errors
	require.ErrorAs(t, err, &all)
	require.NotEmpty(t, all)
	for _, one := range all {
		require.NotEmpty(t, one.Text)
		require.NotContains(t, one.Text, "\n")
		require.Less(t, len(one.Text), 1000)
	}
}

// FuzzParse: whatever stands in a configuration, it loads or says where it is
// at fault.
func FuzzParse(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("f", data, home)
		if err != nil {
			wellSaid(t, err)
			return
		}
		require.NotEmpty(t, c.Data)
		require.NotEmpty(t, c.MQTT.Listen)
		require.Empty(t, NeedRestart(c, c))
		require.Equal(t, c.MQTT.Users, c.Under(c).MQTT.Users)
		for _, u := range c.MQTT.Users { // no name opens more than its own topics
			publish, _ := u.Rights()
			require.True(t, u.All || !slices.Contains(publish, "#") || slices.Contains(u.Publish, "#"), u.Name)
		}
		for _, file := range c.Files() {
			require.NotEmpty(t, file.Name)
		}
	})
}

// FuzzParseBatch: whatever stands in a batch file, it says where it is at
// fault, or loads and comes back from the record the same.
func FuzzParseBatch(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := ParseBatch("f", data)
		if err != nil {
			wellSaid(t, err)
			return
		}
		require.NotEmpty(t, b.Batch.ID)
		require.False(t, strings.ContainsAny(b.Batch.ID, "/ +#"))
		back, err := DecodeSpec(b.Raw)
		require.NoError(t, err, string(b.Raw))
		b.Warnings, b.never, b.pitched = nil, nil, Error{}
		require.Equal(t, b, back)
	})
}
