package broker

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"decktrim/internal/wire"
)

const patience = 10 * time.Second

// authority issues certificates for a test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pool *x509.CertPool
}

func newAuthority(t *testing.T) *authority {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test CA"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	a := &authority{cert, key, x509.NewCertPool()}
	a.pool.AddCert(cert)
	return a
}

func (a *authority) issue(t *testing.T, cn string, use x509.ExtKeyUsage, until time.Time) tls.Certificate {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: cn}, NotBefore: time.Now().Add(-time.Hour), NotAfter: until,
		ExtKeyUsage: []x509.ExtKeyUsage{use}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, &key.PublicKey, a.key)
	require.NoError(t, err)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// inbox keeps what the broker delivers.
type inbox struct {
	mu  sync.Mutex
	got []Message
}

func (i *inbox) Deliver(m Message) { i.mu.Lock(); defer i.mu.Unlock(); i.got = append(i.got, m) }
func (i *inbox) Lost(time.Time)    {}
func (i *inbox) topics() (list []string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	for _, m := range i.got {
		list = append(list, m.Topic.String())
	}
	return list
}

const shortWait = time.Second // for CONNECT, in tests

func embedded(t *testing.T, conf *tls.Config) (*Embedded, *inbox, string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	in := &inbox{}
	admitted := map[string]bool{"larkspur/a": true, "larkspur/b": true}
	e, err := NewEmbedded(EmbeddedConfig{Listener: l, TLS: conf, HostID: "decktrim", ConnectWithin: shortWait, May: func(id wire.NodeID) bool { return admitted[id.String()] }}, in)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- e.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
	require.Eventually(t, e.Connected, patience, time.Millisecond)
	return e, in, l.Addr().String()
}

func dial(t *testing.T, address string, conf *tls.Config, id string, change ...func(*paho.ClientOptions)) (paho.Client, error) {
	scheme := "tcp://"
	if conf != nil {
		scheme = "ssl://"
	}
	o := paho.NewClientOptions().AddBroker(scheme + address).SetClientID(id).SetTLSConfig(conf).SetKeepAlive(20 * time.Second).
		SetAutoReconnect(false).SetConnectTimeout(5 * time.Second).SetProtocolVersion(4)
	for _, f := range change {
		f(o)
	}
	c := paho.NewClient(o)
	tok := c.Connect()
	require.True(t, tok.WaitTimeout(patience))
	if tok.Error() == nil {
		t.Cleanup(func() { c.Disconnect(0) })
	}
	return c, tok.Error()
}

// TestCertificates: who may connect, send and listen where certificates name nodes.
func TestCertificates(t *testing.T) {
	ca, foreign := newAuthority(t), newAuthority(t)
	soon, past := time.Now().Add(time.Hour), time.Now().Add(-time.Minute)
	e, in, address := embedded(t, &tls.Config{MinVersion: tls.VersionTLS13, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: ca.pool,
		SessionTicketsDisabled: true, Certificates: []tls.Certificate{ca.issue(t, "server", x509.ExtKeyUsageServerAuth, soon)}})
	as := func(certs ...tls.Certificate) *tls.Config {
		return &tls.Config{RootCAs: ca.pool, ServerName: "127.0.0.1", Certificates: certs}
	}
	node := func(cn string) *tls.Config { return as(ca.issue(t, cn, x509.ExtKeyUsageClientAuth, soon)) }

	refused := map[string]struct {
		conf *tls.Config
		id   string
	}{
		"no certificate":           {as(), "larkspur/a"},
		"foreign certificate":      {as(foreign.issue(t, "larkspur/a", x509.ExtKeyUsageClientAuth, soon)), "larkspur/a"},
		"expired certificate":      {as(ca.issue(t, "larkspur/a", x509.ExtKeyUsageClientAuth, past)), "larkspur/a"},
		"a server's certificate":   {as(ca.issue(t, "larkspur/a", x509.ExtKeyUsageServerAuth, soon)), "larkspur/a"},
		"another's client id":      {node("larkspur/a"), "larkspur/b"},
		"a node that is not known": {node("larkspur/c"), "larkspur/c"},
		"not a node's name":        {node("larkspur"), "larkspur"},
	}
	for name, tt := range refused {
		t.Run(name, func(t *testing.T) {
			_, err := dial(t, address, tt.conf, tt.id)
			require.Error(t, err)
		})
	}

	heard := make(chan string, 100)
	listening := func(o *paho.ClientOptions) {
		o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { heard <- m.Topic() })
	}
	a, err := dial(t, address, node("larkspur/a"), "larkspur/a", listening)
	require.NoError(t, err)
	var want []string
	for _, group := range []string{"larkspur", "other"} {
		for _, n := range []string{"a", "b"} {
			for _, kind := range []string{"NBIRTH", "NDATA", "NDEATH", "NCMD", "DBIRTH", "DDATA", "DDEATH", "DCMD"} {
				topic := "spBv1.0/" + group + "/" + kind + "/" + n
				if kind[0] == 'D' {
					topic += "/device"
				}
				if group == "larkspur" && n == "a" && !strings.HasSuffix(kind, "CMD") {
					want = append(want, topic)
				}
				a.Publish(topic, 0, false, "x")
				a.Publish(topic+"/more", 0, false, "x")
				a.Publish(topic, 0, true, "x") // retained: dropped
			}
		}
	}
	a.Publish("spBv1.0/STATE/decktrim", 0, true, "x")
	require.Eventually(t, func() bool { return len(in.topics()) >= len(want) }, patience, 5*time.Millisecond)
	time.Sleep(100 * time.Millisecond) // for what must not come
	require.Equal(t, want, in.topics())

	reader, err := dial(t, address, node(readerName), readerName, listening)
	require.NoError(t, err)
	codes := func(c paho.Client, filter string) byte {
		tok := c.Subscribe(filter, 1, nil).(*paho.SubscribeToken)
		require.True(t, tok.WaitTimeout(patience))
		for _, code := range tok.Result() {
			return code
		}
		return 0x80
	}
	for filter, ok := range map[string]bool{"spBv1.0/larkspur/NCMD/a": true, "spBv1.0/STATE/decktrim": true, "spBv1.0/larkspur/NCMD/b": false,
		"spBv1.0/larkspur/NCMD/+": false, "spBv1.0/larkspur/DCMD/a/device": false, "spBv1.0/#": false, "#": false, "$SYS/#": false, "spBv1.0/larkspur/NDATA/a": false} {
		require.Equal(t, ok, codes(a, filter) < 0x80, filter)
	}
	require.Less(t, codes(reader, "spBv1.0/#"), byte(0x80))
	require.GreaterOrEqual(t, codes(reader, "spBv1.0/larkspur/NCMD/a"), byte(0x80))
	e.Publish(wire.Topic{Group: "larkspur", Kind: wire.NCMD, Node: "a"}, []byte("x"))
	a.Publish("spBv1.0/larkspur/NDATA/a", 0, false, "x")
	got := map[string]int{}
	for range 4 { // STATE to both, the command to a alone, the data to the reader
		select {
		case topic := <-heard:
			got[topic]++
		case <-time.After(patience):
			t.Fatal("not heard", got)
		}
	}
	time.Sleep(100 * time.Millisecond)
	for len(heard) > 0 {
		got[<-heard]++
	}
	require.Equal(t, map[string]int{"spBv1.0/STATE/decktrim": 2, "spBv1.0/larkspur/NCMD/a": 1, "spBv1.0/larkspur/NDATA/a": 1}, got)

	lost := make(chan error, 1)
	b, err := dial(t, address, node("larkspur/b"), "larkspur/b", func(o *paho.ClientOptions) {
		o.SetBinaryWill("spBv1.0/larkspur/NDEATH/b", []byte("gone"), 1, false)
		o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	})
	require.NoError(t, err)
	require.True(t, b.IsConnected())
	e.Kick("larkspur/b")
	select {
	case <-lost:
	case <-time.After(time.Second):
		t.Fatal("a revoked node stays connected")
	}
	require.Eventually(t, func() bool {
		list := in.topics()
		return list[len(list)-1] == "spBv1.0/larkspur/NDEATH/b"
	}, patience, 5*time.Millisecond, "the will reaches ingest")
}

// TestIdleSocketsDoNotMakeItDeaf: more silent sockets than may wait, and a node
// still joins.
func TestIdleSocketsDoNotMakeItDeaf(t *testing.T) {
	_, _, address := embedded(t, nil)
	for range 3 * maxUnfinished {
		c, err := net.Dial("tcp", address)
		require.NoError(t, err)
		defer c.Close()
	}
	deadline := time.Now().Add(shortWait + 5*time.Second)
	for {
		if _, err := dial(t, address, nil, "board"); err == nil {
			return
		}
		require.True(t, time.Now().Before(deadline), "a node must join soon after the idle ones were dropped")
		time.Sleep(200 * time.Millisecond)
	}
}

func TestPacketOverTheLimitEndsTheConnection(t *testing.T) {
	_, in, address := embedded(t, nil)
	lost := make(chan error, 1)
	c, err := dial(t, address, nil, "board", func(o *paho.ClientOptions) {
		o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	})
	require.NoError(t, err)
	c.Publish("spBv1.0/larkspur/NDATA/a", 0, false, make([]byte, 1<<20))
	select {
	case <-lost:
	case <-time.After(patience):
		t.Fatal("still connected")
	}
	require.Empty(t, in.topics())
}

func TestRate(t *testing.T) {
	var r rate
	at := time.Unix(0, 0)
	for range nodeBurst {
		require.Zero(t, r.take(at))
	}
	require.Positive(t, r.take(at))
	at = at.Add(10 * time.Second)
	require.Zero(t, r.take(at))
}

func TestParseNode(t *testing.T) {
	for text, ok := range map[string]bool{"larkspur/mill": true, "Grube 7/größe.1": true, "mill": false, "/mill": false, "a/": false, "a/b/c": false, "STATE/x": false, "a/#": false} {
		_, got := ParseNode(text)
		require.Equal(t, ok, got, text)
	}
}
