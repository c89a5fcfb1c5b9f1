package page

import (
	"crypto/sha512"
	"encoding/base64"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// What others wrote is kept to the byte as its package on the npm registry has
// it. The packages' own integrity values, as the registry names them:
// uplot 1.6.32   sha512-KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw==
// axe-core 4.14.1 sha512-FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ==
func TestVendoredFilesAreUnchanged(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]string{
		"assets/vendor/uPlot.iife.min.js": "jfm4wrxgq73ZXFzyYPRmgfQd7yYjtsH57SzfgjpieX4rgnfHAMAZJgQ1YLTsc6HOX+1tnGjnkFuerbc8oI2mJg==",
		"assets/vendor/uPlot.min.css":     "xXYYvGoPqOjhMwkpkxWTDv7HvlyrkyEqzc4USFr/ZtBYC7eklE3DNBDccqiMj2VzRKSffZzeqVRckdYzJx9qfQ==",
		"assets/vendor/uPlot.LICENSE":     "Jq1RNLJNonsKli9o1tenKiBqppxMs3bElPMv2IfNU0bXwymuiMyRl4UQgH45VJTBR1OXaDEt3+Q+WPH1O+DNVQ==",
		"testdata/axe/axe.min.js":         "5j5ln5gG165b1AiZBDsIcaUGLFRCsBs/Gj7fXq9Qv1w6cQSnJGMpO0rRt3xmGg1OQOhQ3sid6dbs5wqME6mvFw==",
	} {
		b, err := os.ReadFile(file)
		require.NoError(t, err)
		sum := sha512.Sum512(b)
		require.Equal(t, want, base64.StdEncoding.EncodeToString(sum[:]), file)
	}
	for _, licence := range []string{"testdata/axe/LICENSE", "testdata/axe/LICENSE-3RD-PARTY.txt"} {
		require.FileExists(t, licence)
	}
}
