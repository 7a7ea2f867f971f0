package edge

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"decktrim/edge/horn"
	"decktrim/edge/instruments"
	"decktrim/internal/plant"
	"decktrim/internal/tomlfile"
	"decktrim/internal/wire"
)

// Config is edge.toml, checked, with the plant file it names. Relative paths in the
// file count from the folder that the file lies in; here they are resolved.
type Config struct {
	File string `toml:"-"`
	Dir  string `toml:"-"` // where the file lies

	Node    NodeConfig                 `toml:"node"`
	MQTT    MQTTConfig                 `toml:"mqtt"`
	Spool   SpoolConfig                `toml:"spool"`
	Sample  SampleConfig               `toml:"sample"`
	Clock   ClockConfig                `toml:"clock"`
	Horn    horn.Config                `toml:"horn"`
	Buses   []instruments.BusConfig    `toml:"bus"`
	Sensors []instruments.SensorConfig `toml:"sensor"`

	Plant *plant.Plant `toml:"-"` // its channels are those of this node alone
}

// NodeConfig is who this board is on the wire.
type NodeConfig struct {
	ID    string `toml:"id"`
	Group string `toml:"group"`
	Plant string `toml:"plant"` // the plant file
}

// MQTTConfig is where the broker is and how to speak to it.
type MQTTConfig struct {
	URL         string `toml:"url"` // tcp://host:port, or ssl://host:port with ca, cert and key
	CA          string `toml:"ca"`
	Cert        string `toml:"cert"`
	Key         string `toml:"key"`
	Aliases     bool   `toml:"aliases"`      // data by number, for a metered or slow link
	OmitTypes   bool   `toml:"omit_types"`   // data without datatypes
	PrimaryHost string `toml:"primary_host"` // publish only while this host is there; empty: whoever listens
	BacklogRate int    `toml:"backlog_rate"` // records a second after an outage; 0: 200
}

// SpoolConfig is where readings wait for the server.
type SpoolConfig struct {
	Dir       string   `toml:"dir"`
	MaxBytes  int64    `toml:"max_bytes"`  // 0: 1 GiB
	SyncEvery Duration `toml:"sync_every"` // the most that a power cut may cost; 0: 2 s
}

// SampleConfig is how often a frame is taken.
type SampleConfig struct {
	Period Duration `toml:"period"` // 0: 1 s
}

// ClockConfig says when the board's clock counts as set.
type ClockConfig struct {
	// Trust is "system" (default: any time not before the build), or
	// "synchronised" (once a time service has set it: for boards without a battery
	// clock that keep an old time over a power cut).
	Trust string `toml:"trust"`
}

// Duration is a length of time as a file has it: "500ms", "2s", "5m".
type Duration time.Duration

// UnmarshalText reads what time.ParseDuration reads.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q is not a length of time; write it as \"500ms\", \"2s\" or \"5m\"", text)
	}
	*d = Duration(v)
	return nil
}

// LoadConfig reads edge.toml and the plant file that it names. Errors say what is
// wrong, where, and what to do.
func LoadConfig(path string) (*Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read: %w; name it with --config", err)
	}
	return ParseConfig(path, data)
}

// ParseConfig is LoadConfig for a file already read; the plant file is read.
func ParseConfig(path string, data []byte) (*Config, error) {
	c := &Config{File: path, Dir: filepath.Dir(path)}
	f, err := tomlfile.Decode(path, data, c)
	if err != nil {
		return nil, err
	}
	if err := c.check(f); err != nil {
		return nil, err
	}
	return c, c.loadPlant(f)
}

const (
	leastSpool  = 1 << 20
	leastPeriod = 100 * time.Millisecond
	mostPeriod  = time.Minute
	leastSync   = 100 * time.Millisecond
	mostSync    = time.Minute
)

func (c *Config) check(f *tomlfile.File) error {
	for _, r := range []struct{ path, value, example string }{
		{"node.id", c.Node.ID, `id = "mill" under [node]: the board's name on the wire`},
		{"node.group", c.Node.Group, `group = "larkspur" under [node]: the plant's name on the wire, one of the server's groups`},
		{"node.plant", c.Node.Plant, `plant = "plant.toml" under [node]`},
		{"mqtt.url", c.MQTT.URL, `url = "tcp://127.0.0.1:1883" under [mqtt], or ssl:// with ca, cert and key`},
		{"spool.dir", c.Spool.Dir, `dir = "/var/lib/decktrim-edge" under [spool]`},
	} {
		if strings.TrimSpace(r.value) == "" {
			return f.Errorf(r.path, "%s is missing; write %s", r.path, r.example)
		}
	}
	for _, id := range []struct{ path, value string }{{"node.id", c.Node.ID}, {"node.group", c.Node.Group}} {
		if !wire.ValidID(id.value) {
			return f.Errorf(id.path, "%q cannot be a name on the wire; use letters, digits and '-', without '/', '+' or '#'", id.value)
		}
	}
	if id := c.MQTT.PrimaryHost; id != "" && !wire.ValidID(id) {
		return f.Errorf("mqtt.primary_host", "%q cannot be a name on the wire; use letters, digits and '-'", id)
	}
	scheme, _, found := strings.Cut(c.MQTT.URL, "://")
	if !found || !strings.Contains("tcp ssl mqtt mqtts tls", scheme) {
		return f.Errorf("mqtt.url", "%q is not a broker's address; write tcp://host:1883, or ssl://host:8883 with ca, cert and key", c.MQTT.URL)
	}
	if scheme != "tcp" && scheme != "mqtt" {
		for _, r := range []struct{ path, value string }{{"mqtt.ca", c.MQTT.CA}, {"mqtt.cert", c.MQTT.Cert}, {"mqtt.key", c.MQTT.Key}} {
			if r.value == "" {
				return f.Errorf("mqtt.url", "%s:// needs ca, cert and key, and %s is missing; 'decktrim-edge enrol' makes all three", scheme, r.path)
			}
		}
	}
	if c.MQTT.BacklogRate < 0 {
		return f.Errorf("mqtt.backlog_rate", "backlog_rate %d is below nothing; give records a second, or leave it out", c.MQTT.BacklogRate)
	}
	if n := c.Spool.MaxBytes; n != 0 && n < leastSpool {
		return f.Errorf("spool.max_bytes", "max_bytes %d is too small to keep anything; give at least %d, or leave it out for 1 GiB", n, leastSpool)
	}
	for _, d := range []struct {
		path        string
		value       *Duration
		def         time.Duration
		least, most time.Duration
	}{
		{"spool.sync_every", &c.Spool.SyncEvery, 2 * time.Second, leastSync, mostSync},
		{"sample.period", &c.Sample.Period, time.Second, leastPeriod, mostPeriod},
	} {
		if *d.value == 0 && !f.Has(d.path) {
			*d.value = Duration(d.def)
		}
		if v := time.Duration(*d.value); v < d.least || v > d.most {
			return f.Errorf(d.path, "%s %v is outside %v to %v", d.path, v, d.least, d.most)
		}
	}
	switch c.Clock.Trust {
	case "":
		c.Clock.Trust = "system"
	case "system", "synchronised":
	default:
		return f.Errorf("clock.trust", "trust %q is not known; write \"system\" or \"synchronised\"", c.Clock.Trust)
	}
	if h := c.Horn; h.Given() {
		if h.Kind != "" {
			if err := oneOf(f, "horn.kind", "kind of horn", h.Kind, []string{"gpio", "simulated"}); err != nil {
				return err
			}
		}
		if h.Kind != "simulated" && (h.Path == "" || h.Horn == "" || h.Beacon == "") {
			return f.Errorf("horn", "a horn needs path, horn and beacon: the chip and the lines of both relays; kind = \"simulated\" only logs")
		}
	}
	for _, p := range []*string{&c.Node.Plant, &c.MQTT.CA, &c.MQTT.Cert, &c.MQTT.Key, &c.Spool.Dir} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(c.Dir, *p)
		}
	}
	return c.checkInstruments(f)
}

// busKinds are the words that edge/instruments knows; it checks the rest.
var busKinds = []string{"simulated", "i2c", "spi", "serial", "gpio", "modbus-tcp"}

func (c *Config) checkInstruments(f *tomlfile.File) error {
	if len(c.Buses) == 0 {
		return f.Errorf("", "there is no [[bus]]; without one nothing is measured: add [[bus]] with name and kind")
	}
	var buses []string
	for i, b := range c.Buses {
		at := fmt.Sprintf("bus.%d", i)
		if b.Name == "" {
			return f.Errorf(at, "this bus has no name; sensors need one to name it: write name = \"main\"")
		}
		for _, other := range buses {
			if other == b.Name {
				return f.Errorf(at+".name", "the bus name %q stands twice; give each bus its own", b.Name)
			}
		}
		if err := oneOf(f, at+".kind", "kind of bus", b.Kind, busKinds); err != nil {
			return err
		}
		buses = append(buses, b.Name)
	}
	for i, s := range c.Sensors {
		// typed and computed channels have no wire to a bus.
		if s.Bus == "" {
			continue
		}
		if err := oneOf(f, fmt.Sprintf("sensor.%d.bus", i), "bus", s.Bus, buses); err != nil {
			return err
		}
	}
	return nil
}

// oneOf checks that a word is among the known ones, and offers the nearest.
func oneOf(f *tomlfile.File, path, what, word string, known []string) error {
	for _, k := range known {
		if k == word {
			return nil
		}
	}
	if near, ok := tomlfile.Nearest(word, known); ok {
		return f.Errorf(path, "there is no %s %q; did you mean %q?", what, word, near)
	}
	return f.Errorf(path, "there is no %s %q; known here: %s", what, word, strings.Join(known, ", "))
}

// loadPlant reads the plant file and keeps the channels that this node sends.
func (c *Config) loadPlant(f *tomlfile.File) error {
	data, err := os.ReadFile(c.Node.Plant)
	if err != nil {
		return f.Errorf("node.plant", "the plant file cannot be read: %v; relative names count from the folder of this file", err)
	}
	p, err := plant.Parse(c.Node.Plant, data)
	if err != nil {
		return err
	}
	me := c.Node.Group + "/" + c.Node.ID
	var own []plant.Channel
	var names []string
	for _, ch := range p.Channels {
		if ch.Node == "" || ch.Node == me {
			own = append(own, ch)
			names = append(names, ch.Name)
		}
	}
	if len(own) == 0 {
		return f.Errorf("node.plant", "the plant file %s has no [[channel]] for node %s; give it one, or leave node out of its channels", c.Node.Plant, me)
	}
	p.Channels = own
	c.Plant = p
	for i, s := range c.Sensors {
		if s.Channel == "" {
			return f.Errorf(fmt.Sprintf("sensor.%d", i), "this sensor names no channel of the plant file; known there: %s", strings.Join(names, ", "))
		}
		if err := oneOf(f, fmt.Sprintf("sensor.%d.channel", i), "channel", s.Channel, names); err != nil {
			return err
		}
	}
	return nil
}
