package page

import (
	"io/fs"
	"path"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Each page's template is parsed when it is first shown, so that a mistake in one
// would be met by whoever looks: here all of them are.
func TestEveryTemplateParses(t *testing.T) {
	t.Parallel()
	names, err := fs.Glob(templateFiles, "templates/page_*.html")
	require.NoError(t, err)
	require.Greater(t, len(names), 10)
	all := newTemplates((&Server{}).funcs())
	for _, n := range names {
		name := strings.TrimSuffix(strings.TrimPrefix(path.Base(n), "page_"), ".html")
		p, err := all.get(name)
		require.NoError(t, err, name)
		require.NotNil(t, p.Lookup("frame"), name)
		again, err := all.get(name)
		require.NoError(t, err)
		require.Same(t, p, again)
	}
	_, err = all.get("no such page")
	require.Error(t, err)
}
