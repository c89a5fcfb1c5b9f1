package config

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
)

// What an editor saved as UTF-16 is read if it can be; if not, it was told to be empty,
// or to have control characters.
func TestAFileInUTF16IsReadOrToldSo(t *testing.T) {
	t.Parallel()
	const says = ":1:1: this begins like text in UTF-16, as some editors save it, and nothing of it can be read; save it as UTF-8"
	const mark, text = "\ufeff", "# the cellar\r\ndata: /srv/ebbline\r\n"
	for name, order := range map[string]binary.AppendByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian} {
		in := func(text string) (data []byte) {
			for _, u := range utf16.Encode([]rune(text)) {
				data = order.AppendUint16(data, u)
			}
			return data
		}
		path := filepath.Join(t.TempDir(), name+".yaml")
		load := func(data []byte) (*Config, error) {
			require.NoError(t, os.WriteFile(path, data, 0o600))
			return Load(path)
		}
		c, err := load(in(mark + text))
		require.NoError(t, err)
		require.Equal(t, "/srv/ebbline", c.Data)
		whole := in(mark + text)
		for what, data := range map[string][]byte{
			"no mark": in(text), "cut off": whole[:len(whole)-1], "the mark alone": in(mark), "comments alone": in(mark + "# none\n"),
			"another text behind the mark": append(in(mark), "data: /srv/e\n"...),
		} {
			_, err := load(data)
			require.EqualError(t, err, path+says, what)
			_, err = ParseBatch("pale.yaml", data)
			require.EqualError(t, err, "pale.yaml"+says, what)
		}
		_, err = load(in(mark + "data: [\n"))
		require.ErrorContains(t, err, "not YAML", "a slip in one that can be read has its place")
		require.NotContains(t, err.Error(), "UTF-16")
	}
}
