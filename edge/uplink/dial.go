package uplink

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"time"
)

func joinHostPort(host, port string) string { return net.JoinHostPort(host, port) }

// dial opens the socket, TLS included, within the time of cfg.Connect.
func (u *Uplink) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, u.cfg.Connect)
	defer cancel()
	d := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: u.cfg.KeepAlive, Interval: u.cfg.KeepAlive / 2, Count: 3}}
	raw, err := d.DialContext(ctx, "tcp", u.target.address)
	if err != nil {
		return nil, fmt.Errorf("the broker at %s cannot be reached: %w", u.target.address, err)
	}
	if err := tune(raw.(*net.TCPConn), u.cfg.UserTimeout); err != nil {
		u.once("the link works without socket time-outs", "why", err)
	}
	conn := net.Conn(&limitedConn{raw, u.cfg.Write})
	if !u.target.tls {
		return conn, nil
	}
	cfg, err := u.tlsConfig()
	if err != nil {
		raw.Close()
		return nil, err
	}
	secured := tls.Client(conn, cfg)
	if err := secured.HandshakeContext(ctx); err != nil {
		raw.Close()
		if ctx.Err() != nil {
			return nil, fmt.Errorf("%w to the TLS handshake within %v", errMute, u.cfg.Connect)
		}
		return nil, fmt.Errorf("the broker at %s and this node do not trust each other: %w", u.target.address, err)
	}
	return secured, nil
}

// tlsConfig reads the certificate files: anew for each connection, so that a
// renewed certificate is used without a restart. Our authority is the only root.
func (u *Uplink) tlsConfig() (*tls.Config, error) {
	if u.cfg.CA == "" || u.cfg.Cert == "" || u.cfg.Key == "" {
		return nil, fmt.Errorf("an ssl:// link needs ca, cert and key under [mqtt]")
	}
	pem, err := os.ReadFile(u.cfg.CA)
	if err != nil {
		return nil, fmt.Errorf("the authority's certificate cannot be read: %w", err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate", u.cfg.CA)
	}
	own, err := tls.LoadX509KeyPair(u.cfg.Cert, u.cfg.Key)
	if err != nil {
		return nil, fmt.Errorf("the node's certificate cannot be used: %w", err)
	}
	return &tls.Config{
		RootCAs:      roots,
		Certificates: []tls.Certificate{own},
		ServerName:   u.target.host,
		MinVersion:   tls.VersionTLS13,
		Time:         u.cfg.TLSTime,
	}, nil
}

// limitedConn gives every write a limit of its own, whatever the layers above ask.
type limitedConn struct {
	net.Conn
	limit time.Duration
}

func (c *limitedConn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(c.limit)); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}
