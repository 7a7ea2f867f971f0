package server

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"decktrim/internal/plant"
	"decktrim/internal/tomlfile"
	"decktrim/internal/wire"
	"decktrim/server/broker"
)

// Config is server.toml, checked. Relative paths are those of the file's own folder.
type Config struct {
	Server ServerConfig `toml:"server"`
	MQTT   MQTTConfig   `toml:"mqtt"`
	Store  StoreConfig  `toml:"store"`
	Ledger LedgerConfig `toml:"ledger"`

	Plants []*plant.Plant `toml:"-"` // of Server.Plants
}

// ServerConfig is the web side.
type ServerConfig struct {
	Listen string   `toml:"listen"` // HOST:PORT; port 0: a free one; off loopback TLS only
	Data   string   `toml:"data"`   // folder of everything that is kept
	Plants []string `toml:"plants"` // plant files
	Cert   string   `toml:"cert"`   // PEM, for TLS
	Key    string   `toml:"key"`
	// SignIn is "auto" (default) or "always". With auto, a program on the same machine
	// may read /api/v1/now, /api/v1/series, /api/openapi.json and /metrics without
	// signing in, provided the server listens on loopback only. Everything else needs
	// sign-in with either.
	SignIn string `toml:"sign_in"`
}

// MQTTConfig is the way to the nodes.
type MQTTConfig struct {
	Mode               string   `toml:"mode"`   // embedded or external
	Listen             string   `toml:"listen"` // embedded: plain on loopback, else TLS with client certificates
	URL                string   `toml:"url"`    // external: tcp:// on loopback, else ssl://
	CA                 string   `toml:"ca"`
	Cert               string   `toml:"cert"`
	Key                string   `toml:"key"`
	HostID             string   `toml:"host_id"`
	Groups             []string `toml:"groups"` // empty: all
	Nodes              []string `toml:"nodes"`  // GROUP/NODE that may send, beside those that channels name
	AcceptUnknownNodes bool     `toml:"accept_unknown_nodes"`
}

// StoreConfig says where readings are kept.
type StoreConfig struct {
	Kind string `toml:"kind"` // embedded
}

// LedgerConfig says where the ledger is kept.
type LedgerConfig struct {
	Kind string `toml:"kind"` // sqlite
}

// DefaultConfig is what a plant of one node can keep.
func DefaultConfig() Config {
	return Config{
		Server: ServerConfig{Listen: "127.0.0.1:8420", SignIn: "auto"},
		MQTT:   MQTTConfig{Mode: "embedded", Listen: "127.0.0.1:1883", HostID: "decktrim"},
		Store:  StoreConfig{Kind: "embedded"},
		Ledger: LedgerConfig{Kind: "sqlite"},
	}
}

// LoadConfig reads server.toml and the plant files it names.
func LoadConfig(path string) (Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Config{}, fmt.Errorf("the server file cannot be read: %w; give it with --config server.toml", err)
	}
	c := DefaultConfig()
	f, err := tomlfile.Decode(path, data, &c)
	if err != nil {
		return Config{}, err
	}
	base := filepath.Dir(path)
	for _, p := range []*string{&c.Server.Data, &c.Server.Cert, &c.Server.Key, &c.MQTT.CA, &c.MQTT.Cert, &c.MQTT.Key} {
		*p = from(base, *p)
	}
	if err := c.check(f); err != nil {
		return Config{}, err
	}
	for i, name := range c.Server.Plants {
		at := "server.plants"
		name = from(base, name)
		c.Server.Plants[i] = name
		text, err := os.ReadFile(name)
		if err != nil {
			return Config{}, f.Errorf(at, "the plant file cannot be read: %v; correct plants", err)
		}
		p, err := plant.Parse(name, text)
		if err != nil {
			return Config{}, err
		}
		c.Plants = append(c.Plants, p)
	}
	return c, c.checkPlants(f)
}

func from(base, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(base, path)
}

func (c *Config) check(f *tomlfile.File) error {
	if c.Server.Data == "" {
		return f.Errorf("server.data", "data is missing; give the folder in which everything is kept")
	}
	if len(c.Server.Plants) == 0 {
		return f.Errorf("server.plants", "plants is missing; give the plant files, for example plants = [\"plant.toml\"]")
	}
	if err := checkListen(f, "server.listen", c.Server.Listen); err != nil {
		return err
	}
	if (c.Server.Cert == "") != (c.Server.Key == "") {
		return f.Errorf("server.cert", "cert and key belong together; give both or neither")
	}
	if !loopback(c.Server.Listen) && c.Server.Cert == "" {
		return f.Errorf("server.listen", "%s is not on loopback, where only TLS is allowed; give cert and key under [server], or listen on 127.0.0.1", c.Server.Listen)
	}
	if !slices.Contains([]string{"auto", "always"}, c.Server.SignIn) {
		return f.Errorf("server.sign_in", "sign_in %q is not known; use \"auto\" or \"always\"", c.Server.SignIn)
	}
	if c.Store.Kind != "embedded" {
		return f.Errorf("store.kind", "store kind %q is not built into this version; use \"embedded\"", c.Store.Kind)
	}
	if c.Ledger.Kind != "sqlite" {
		return f.Errorf("ledger.kind", "ledger kind %q is not built into this version; use \"sqlite\"", c.Ledger.Kind)
	}
	return c.checkMQTT(f)
}

func (c *Config) checkMQTT(f *tomlfile.File) error {
	m := &c.MQTT
	if !wire.ValidID(m.HostID) {
		return f.Errorf("mqtt.host_id", "host_id %q is not legal; use a to z, 0 to 9 and the hyphen", m.HostID)
	}
	for _, g := range m.Groups {
		if !wire.ValidID(g) || g == string(wire.STATE) {
			return f.Errorf("mqtt.groups", "group %q is not legal; use a to z, 0 to 9 and the hyphen", g)
		}
	}
	for _, n := range m.Nodes {
		id, ok := broker.ParseNode(n)
		if !ok {
			return f.Errorf("mqtt.nodes", "node %q is not GROUP/NODE; write it as \"larkspur/mill\"", n)
		}
		if len(m.Groups) > 0 && !slices.Contains(m.Groups, id.Group) {
			return f.Errorf("mqtt.nodes", "node %q is of a group that groups does not list; add the group or drop the node", n)
		}
	}
	local := loopback(c.Server.Listen)
	switch m.Mode {
	case "embedded":
		if f.Has("mqtt.url") {
			return f.Errorf("mqtt.url", "url belongs to mode \"external\"; with \"embedded\" give listen")
		}
		if err := checkListen(f, "mqtt.listen", m.Listen); err != nil {
			return err
		}
		if !loopback(m.Listen) {
			local = false
			if m.Cert == "" || m.Key == "" || m.CA == "" {
				return f.Errorf("mqtt.listen", "%s is not on loopback, where only TLS with client certificates is allowed; give ca, cert and key under [mqtt], or listen on 127.0.0.1", m.Listen)
			}
		}
		if n := len(slices.DeleteFunc([]string{m.CA, m.Cert, m.Key}, func(s string) bool { return s == "" })); n != 0 && n != 3 {
			return f.Errorf("mqtt", "ca, cert and key belong together; give all three or none")
		}
	case "external":
		u, err := url.Parse(m.URL)
		if m.URL == "" || err != nil || u.Host == "" {
			return f.Errorf("mqtt.url", "url %q is not a broker's address; write it as \"ssl://broker.example:8883\"", m.URL)
		}
		switch u.Scheme {
		case "tcp", "mqtt":
			if !loopback(hostPort(u)) {
				return f.Errorf("mqtt.url", "%s is not on loopback, where only TLS is allowed; use ssl:// with ca, cert and key", m.URL)
			}
		case "ssl", "tls", "mqtts":
			if m.CA == "" || m.Cert == "" || m.Key == "" {
				return f.Errorf("mqtt.url", "ssl:// needs ca, cert and key under [mqtt]")
			}
		default:
			return f.Errorf("mqtt.url", "url begins with %q; use tcp:// on loopback or ssl://", u.Scheme+"://")
		}
		local = local && loopback(hostPort(u))
	default:
		return f.Errorf("mqtt.mode", "mode %q is not known; use \"embedded\" or \"external\"", m.Mode)
	}
	if m.AcceptUnknownNodes && !local {
		return f.Errorf("mqtt.accept_unknown_nodes", "accept_unknown_nodes = true is allowed only while every listener is on loopback; set it to false and list the nodes")
	}
	return nil
}

// checkPlants makes sure that it is clear which plant a reading belongs to.
func (c *Config) checkPlants(f *tomlfile.File) error {
	seen := map[string]string{}
	for i, p := range c.Plants {
		if other, twice := seen[p.Plant.Name]; twice {
			return f.Errorf("server.plants", "%s and %s both name a plant %q; give each its own name", other, c.Server.Plants[i], p.Plant.Name)
		}
		seen[p.Plant.Name] = c.Server.Plants[i]
	}
	if len(c.Plants) < 2 {
		return nil
	}
	metrics := map[string]string{} // metric of a channel without a node: plant
	for _, p := range c.Plants {
		for _, ch := range p.Channels {
			if ch.Node != "" {
				continue
			}
			if other, taken := metrics[ch.MetricName()]; taken && other != p.Plant.Name {
				return f.Errorf("server.plants", "plants %q and %q both take %q from any node; say node = \"GROUP/NODE\" in their [[channel]] tables", other, p.Plant.Name, ch.MetricName())
			}
			metrics[ch.MetricName()] = p.Plant.Name
		}
	}
	return nil
}

// admitted says which nodes may send.
func (c *Config) admitted() func(wire.NodeID) bool {
	if c.MQTT.AcceptUnknownNodes {
		return func(wire.NodeID) bool { return true }
	}
	known := map[string]bool{}
	for _, n := range c.MQTT.Nodes {
		known[n] = true
	}
	for _, p := range c.Plants {
		for _, ch := range p.Channels {
			known[ch.Node] = true
		}
	}
	return func(id wire.NodeID) bool { return known[id.String()] }
}

func hostPort(u *url.URL) string {
	if u.Port() == "" {
		return net.JoinHostPort(u.Hostname(), "0")
	}
	return u.Host
}

func checkListen(f *tomlfile.File, key, address string) error {
	_, port, err := net.SplitHostPort(address)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		return f.Errorf(key, "%q is not HOST:PORT; write it as \"127.0.0.1:8420\"", address)
	}
	return nil
}

// loopback reports whether an address is reached from this machine alone.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// serverTLS is for a listener; with a CA it asks for client certificates.
func serverTLS(certFile, keyFile, caFile string) (*tls.Config, error) {
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s cannot be used: %w", certFile, keyFile, err)
	}
	t := &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{cert}}
	if caFile != "" {
		if t.ClientCAs, err = pool(caFile); err != nil {
			return nil, err
		}
		t.ClientAuth = tls.RequireAndVerifyClientCert
		t.SessionTicketsDisabled = true
	}
	return t, nil
}

// clientTLS is for the connection to a broker outside.
func clientTLS(certFile, keyFile, caFile string) (*tls.Config, error) {
	t, err := serverTLS(certFile, keyFile, "")
	if err != nil {
		return nil, err
	}
	t.MinVersion = tls.VersionTLS12 // brokers outside may know no newer
	t.RootCAs, err = pool(caFile)
	return t, err
}

func pool(caFile string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("the CA certificate cannot be read: %w", err)
	}
	p := x509.NewCertPool()
	if !p.AppendCertsFromPEM(pem) {
		return nil, errors.New(strings.TrimSpace(caFile) + " holds no certificate; give a PEM file")
	}
	return p, nil
}
