package broker

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// authority issues certificates for a test, as a house's own authority would.
type authority struct {
	t    *testing.T
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	pool *x509.CertPool
	dir  string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	a := &authority{t: t, key: key, dir: t.TempDir(), pool: x509.NewCertPool()}
	require.NoError(t, os.Chmod(a.dir, 0o755))
	template := &x509.Certificate{Subject: pkix.Name{CommonName: "cellar authority"}, SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	a.cert = a.sign(template, template, key)
	a.pool.AddCert(a.cert)
	a.write("ca.pem", "CERTIFICATE", a.cert.Raw)
	return a
}

func (a *authority) sign(template, parent *x509.Certificate, key *ecdsa.PrivateKey) *x509.Certificate {
	a.t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, a.key)
	require.NoError(a.t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(a.t, err)
	return cert
}

func (a *authority) write(name, kind string, der []byte) string {
	a.t.Helper()
	path := filepath.Join(a.dir, name)
	require.NoError(a.t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o644))
	return path
}

// issue makes a certificate for this machine, or of a client.
func (a *authority) issue(name string, usage x509.ExtKeyUsage) (pair tls.Certificate, certFile, keyFile string) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	cert := a.sign(&x509.Certificate{
		Subject: pkix.Name{CommonName: name}, SerialNumber: big.NewInt(time.Now().UnixNano()), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{usage},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}, a.cert, key)
	der, err := x509.MarshalECPrivateKey(key)
	require.NoError(a.t, err)
	certFile, keyFile = a.write(name+".pem", "CERTIFICATE", cert.Raw), a.write(name+"-key.pem", "EC PRIVATE KEY", der)
	return tls.Certificate{Certificate: [][]byte{cert.Raw}, PrivateKey: key}, certFile, keyFile
}

// Law: every way to a broker that the configuration offers carries readings: TLS
// under the house's own authority, a client's certificate, websockets plain and
// encrypted. The broker is mosquitto.
func TestEveryWayToABroker(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	_, cert, key := a.issue("broker", x509.ExtKeyUsageServerAuth)
	ours, _, _ := a.issue("client", x509.ExtKeyUsageClientAuth)
	secure := []string{"cafile " + filepath.Join(a.dir, "ca.pem"), "certfile " + cert, "keyfile " + key}
	var lines []string
	listener := func(more ...string) string {
		port := strconv.Itoa(porttest.Free(t))
		lines = append(append(lines, "listener "+port+" 127.0.0.1"), more...)
		return "127.0.0.1:" + port
	}
	withTLS := listener(secure...)
	withCert := listener(append(secure, "require_certificate true", "use_identity_as_username false")...)
	ws := listener("protocol websockets")
	wss := listener(append(secure, "protocol websockets")...)
	m := startMosquitto(t, lines...)

	trust := &tls.Config{RootCAs: a.pool, MinVersion: tls.VersionTLS12}
	mutual := &tls.Config{RootCAs: a.pool, Certificates: []tls.Certificate{ours}, MinVersion: tls.VersionTLS12}
	for name, way := range map[string]struct {
		url string
		tls *tls.Config
	}{
		"tls": {"ssl://" + withTLS, trust}, "client certificate": {"ssl://" + withCert, mutual},
		"websockets": {"ws://" + ws, nil}, "websockets with a path": {"ws://" + ws + "/mqtt", nil}, "encrypted websockets": {"wss://" + wss, trust},
	} {
		t.Run(name, func(t *testing.T) {
			rec := &recorder{}
			cfg := quick(m.addr(), rec)
			cfg.URLs, cfg.TLS, cfg.ClientID, cfg.Filters = []string{way.url}, way.tls, "way-"+strconv.Itoa(len(name)), []string{"cellar/#"}
			s := startSubscriber(t, cfg, rec)
			waitReady(t, s)
			pub(t, m.addr(), "-t", "cellar/float-1", "-m", "1.0132", "-q", "1")
			rec.wait(t, 1, "cellar/float-1")
			require.NoError(t, s.Publish(t.Context(), Outgoing{Topic: "ebbline/state", Payload: []byte("42"), QoS: 1}))
		})
	}
	for name, way := range map[string]struct {
		url string
		tls *tls.Config
	}{"no authority": {"ssl://" + withTLS, nil}, "no certificate of ours": {"ssl://" + withCert, trust}, "no authority, websockets": {"wss://" + wss, nil}} {
		t.Run(name, func(t *testing.T) {
			cfg := quick(m.addr(), &recorder{})
			cfg.URLs, cfg.TLS = []string{way.url}, way.tls
			waitProblem(t, startSubscriber(t, cfg, &recorder{}), "certificate")
		})
	}
}

// Law: the embedded broker that has been given an authority lets in only clients
// with its certificate.
func TestTheEmbeddedBrokerAsksForCertificates(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	own, _, _ := a.issue("broker", x509.ExtKeyUsageServerAuth)
	_, cert, key := a.issue("client", x509.ExtKeyUsageClientAuth)
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{TLS: &tls.Config{
		Certificates: []tls.Certificate{own}, ClientCAs: a.pool, ClientAuth: tls.RequireAndVerifyClientCert, MinVersion: tls.VersionTLS12,
	}}, rec)
	pub(t, e.Addr(), "--cafile", filepath.Join(a.dir, "ca.pem"), "--cert", cert, "--key", key, "-t", "cellar/float-1", "-m", "1.0132", "-q", "1")
	rec.wait(t, 1, "cellar/float-1")
	cfg := quick(e.Addr(), &recorder{})
	cfg.URLs, cfg.TLS = []string{"ssl://" + e.Addr()}, &tls.Config{RootCAs: a.pool, MinVersion: tls.VersionTLS12}
	waitProblem(t, startSubscriber(t, cfg, &recorder{}), "certificate")
}
