package config

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
)

// An editor that saves UTF-16 made a file that was told to be empty, or not YAML.
func TestAFileInUTF16IsToldSo(t *testing.T) {
	t.Parallel()
	lookup := func(string) (string, bool) { return "", false }
	for name, order := range map[string]binary.AppendByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian} {
		for _, mark := range []string{"\ufeff", ""} {
			var data []byte
			for _, u := range utf16.Encode([]rune(mark + "# the cellar\r\ndata: /srv/ebbline\r\n")) {
				data = order.AppendUint16(data, u)
			}
			path := filepath.Join(t.TempDir(), name+".yaml")
			require.NoError(t, os.WriteFile(path, data, 0o600))
			const says = ":1:1: this is text in UTF-16, as some editors save it; save it as UTF-8"
			_, err := Load(path)
			require.EqualError(t, err, path+says)
			_, err = ParseBatch("pale.yaml", data, nil)
			require.EqualError(t, err, "pale.yaml"+says)
		}
	}
	_, err := Parse("c.yaml", []byte("\ufeffdata: /srv/ebbline\n"), lookup)
	require.NoError(t, err, "the mark of UTF-8 is read over")
}
