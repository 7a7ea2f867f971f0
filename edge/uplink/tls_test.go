package uplink

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/wire"
)

// authority is a certificate authority of a test. Its certificates begin when it
// does, as those of a site do, so that a board with a slow clock is not locked out.
type authority struct {
	t     *testing.T
	dir   string
	from  time.Time
	until time.Time
	cert  *x509.Certificate
	key   *ecdsa.PrivateKey
	n     int64
}

func newAuthority(t *testing.T, from, until time.Time) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir(), from: from, until: until}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "site authority"},
		NotBefore: from, NotAfter: until, IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &a.key.PublicKey, a.key)
	require.NoError(t, err)
	a.cert, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	a.write("ca.crt", "CERTIFICATE", der)
	return a
}

func (a *authority) path(name string) string { return filepath.Join(a.dir, name) }

func (a *authority) write(name, kind string, der []byte) {
	require.NoError(a.t, os.WriteFile(a.path(name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
}

// issue makes files name.crt and name.key.
func (a *authority) issue(name, commonName string, usage x509.ExtKeyUsage) {
	a.n++
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(100 + a.n),
		Subject: pkix.Name{CommonName: commonName}, NotBefore: a.from, NotAfter: a.until,
		ExtKeyUsage: []x509.ExtKeyUsage{usage}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}, a.cert, &key.PublicKey, a.key)
	require.NoError(a.t, err)
	a.write(name+".crt", "CERTIFICATE", der)
	der, err = x509.MarshalPKCS8PrivateKey(key)
	require.NoError(a.t, err)
	a.write(name+".key", "PRIVATE KEY", der)
}

// TestTLS goes to a mosquitto that asks for certificates, with its own and with
// others, and with a clock that is wrong.
func TestTLS(t *testing.T) {
	t.Parallel()
	now := time.Now()
	site := newAuthority(t, now.Add(-400*24*time.Hour), now.Add(24*time.Hour))
	site.issue("server", "127.0.0.1", x509.ExtKeyUsageServerAuth)
	site.issue("node", "larkspur/mill", x509.ExtKeyUsageClientAuth)
	other := newAuthority(t, now.Add(-time.Hour), now.Add(time.Hour))
	other.issue("node", "larkspur/mill", x509.ExtKeyUsageClientAuth)
	tlsPort := freePort(t)
	br := startMosquitto(t, fmt.Sprintf("listener %d 127.0.0.1", tlsPort), "cafile "+site.path("ca.crt"), "certfile "+site.path("server.crt"),
		"keyfile "+site.path("server.key"), "require_certificate true", "use_identity_as_username true", "tls_version tlsv1.3")
	h := startHost(t, br.addr(), true)

	tests := []struct {
		name      string
		ca        string
		node      *authority
		file      string
		clock     time.Time
		connected bool
	}{
		{"own certificate", site.path("ca.crt"), site, "node", now, true},
		{"a clock a year behind", site.path("ca.crt"), site, "node", now.Add(-365 * 24 * time.Hour), true},
		{"a clock past the end", site.path("ca.crt"), site, "node", now.Add(48 * time.Hour), false},
		{"a certificate of another authority", site.path("ca.crt"), other, "node", now, false},
		{"a server of another authority", other.path("ca.crt"), site, "node", now, false},
		{"a server's certificate as a client", site.path("ca.crt"), site, "server", now, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBoard(t, "", func(c *Config) {
				c.URL = fmt.Sprintf("ssl://127.0.0.1:%d", tlsPort)
				c.CA, c.Cert, c.Key = tt.ca, tt.node.path(tt.file+".crt"), tt.node.path(tt.file+".key")
				c.TLSTime = func() time.Time { return tt.clock }
			})
			births := h.count(wire.NBIRTH)
			b.start()
			if tt.connected {
				eventually(t, "connected", b.connected)
				eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == births+1 })
				b.end()
				return
			}
			eventually(t, "refused", func() bool { return b.up.Status().Attempts >= 2 })
			require.NotEmpty(t, b.up.Status().LastError)
			require.Zero(t, b.up.Status().Births)
		})
	}
}
