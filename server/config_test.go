package server

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/wire"
)

const goodPlant = `[plant]
name = "Larkspur mill"
timezone = "America/Boise"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "4-20mA"
`

const goodServer = `[server]
listen = "127.0.0.1:8420"
data = "data"
plants = ["plant.toml"]
[mqtt]
mode = "embedded"
listen = "127.0.0.1:1883"
host_id = "decktrim"
groups = ["larkspur"]
accept_unknown_nodes = false
[store]
kind = "embedded"
[ledger]
kind = "sqlite"
`

func load(t *testing.T, server string, plants ...string) (Config, error) {
	dir := t.TempDir()
	for i, text := range append([]string{goodPlant}, plants...) {
		name := []string{"plant.toml", "other.toml"}[i]
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	path := filepath.Join(dir, "server.toml")
	require.NoError(t, os.WriteFile(path, []byte(server), 0o600))
	return LoadConfig(path)
}

func TestConfig(t *testing.T) {
	c, err := load(t, goodServer)
	require.NoError(t, err)
	require.True(t, filepath.IsAbs(c.Server.Data))
	require.Equal(t, "Larkspur mill", c.Plants[0].Plant.Name)
	require.False(t, c.admitted()(wire.NodeID{Group: "larkspur", Node: "mill"}))

	short, err := load(t, "[server]\ndata = \"d\"\nplants = [\"plant.toml\"]\n")
	require.NoError(t, err)
	require.Equal(t, "127.0.0.1:1883", short.MQTT.Listen)
	require.Equal(t, "decktrim", short.MQTT.HostID)

	named, err := load(t, strings.Replace(goodServer, "groups =", "nodes = [\"larkspur/mill\"]\ngroups =", 1))
	require.NoError(t, err)
	require.True(t, named.admitted()(wire.NodeID{Group: "larkspur", Node: "mill"}))
	require.False(t, named.admitted()(wire.NodeID{Group: "larkspur", Node: "pond"}))

	external := strings.Replace(strings.Replace(goodServer, `mode = "embedded"
listen = "127.0.0.1:1883"`, `mode = "external"
url = "tcp://127.0.0.1:1883"`, 1), "nodes = false", "nodes = true", 1)
	c, err = load(t, external)
	require.NoError(t, err)
	require.True(t, c.admitted()(wire.NodeID{Group: "larkspur", Node: "Größe 1"}))
}

func TestConfigErrors(t *testing.T) {
	change := func(old, new string) string {
		require.Contains(t, goodServer, old)
		return strings.Replace(goodServer, old, new, 1)
	}
	tests := []struct{ name, text, place, want string }{
		{"mistyped key", change("host_id", "hots_id"), "server.toml:8:1", `did you mean "host_id"`},
		{"wrong type", change(`"127.0.0.1:8420"`, "8420"), "server.toml:2:", "listen"},
		{"not TOML", "[server\n", "server.toml:1:", ""},
		{"web off loopback without TLS", change("127.0.0.1:8420", "0.0.0.0:8420"), "server.toml:2:1", "only TLS"},
		{"web on every address", change("127.0.0.1:8420", ":8420"), "server.toml:2:1", "only TLS"},
		{"MQTT off loopback without TLS", change("127.0.0.1:1883", "192.168.1.5:1883"), "server.toml:7:1", "client certificates"},
		{"MQTT by name", change("127.0.0.1:1883", "mill.example:1883"), "server.toml:7:1", "client certificates"},
		{"unknown nodes off loopback", strings.NewReplacer("127.0.0.1:8420", "0.0.0.0:8420", "listen = \"127.0.0.1:8420\"", "listen = \"0.0.0.0:8420\"\ncert = \"c\"\nkey = \"k\"", "nodes = false", "nodes = true").Replace(goodServer), "server.toml:12:1", "every listener is on loopback"},
		{"external without url", change(`"embedded"`, `"external"`), "server.toml:5:", "url"},
		{"external in the clear", change("mode = \"embedded\"", "mode = \"external\"\nurl = \"tcp://broker.example:1883\""), "server.toml:7:1", "use ssl://"},
		{"external without certificate", change("mode = \"embedded\"", "mode = \"external\"\nurl = \"ssl://broker.example:8883\""), "server.toml:7:1", "needs ca, cert and key"},
		{"url with embedded", change("mode = \"embedded\"", "mode = \"embedded\"\nurl = \"tcp://127.0.0.1:1\""), "server.toml:7:1", "external"},
		{"mode", change(`mode = "embedded"`, `mode = "inside"`), "server.toml:6:1", "not known"},
		{"group", change(`"larkspur"`, `"lark/spur"`), "server.toml:9:1", "not legal"},
		{"group STATE", change(`"larkspur"`, `"STATE"`), "server.toml:9:1", "not legal"},
		{"node without group", change("groups", "nodes = [\"mill\"]\ngroups"), "server.toml:9:1", "GROUP/NODE"},
		{"node of another group", change("groups", "nodes = [\"other/mill\"]\ngroups"), "server.toml:9:1", "groups does not list"},
		{"port", change("127.0.0.1:8420", "127.0.0.1:99999"), "server.toml:2:1", "HOST:PORT"},
		{"no data", change(`data = "data"`, ""), "server.toml:1:2", "data is missing"},
		{"no plants", change(`plants = ["plant.toml"]`, ""), "server.toml:1:2", "plants is missing"},
		{"plant file absent", change("plant.toml", "none.toml"), "server.toml:4:1", "cannot be read"},
		{"store", change("[store]\nkind = \"embedded\"", "[store]\nkind = \"paper\""), "server.toml:12:1", "not built into"},
		{"ledger", change("kind = \"sqlite\"", "kind = \"paper\""), "server.toml:14:1", "not built into"},
		{"half a certificate", change("[mqtt]", "cert = \"x\"\n[mqtt]"), "server.toml:5:1", "belong together"},
		{"sign_in", change("[mqtt]", "sign_in = \"never\"\n[mqtt]"), "server.toml:5:1", "not known"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := load(t, tt.text)
			require.ErrorContains(t, err, tt.place)
			require.ErrorContains(t, err, tt.want)
			require.NotContains(t, err.Error(), "\n")
		})
	}
	_, err := LoadConfig(filepath.Join(t.TempDir(), "none.toml"))
	require.ErrorContains(t, err, "cannot be read")

	two := change(`["plant.toml"]`, `["plant.toml", "other.toml"]`)
	_, err = load(t, two, goodPlant)
	require.ErrorContains(t, err, "give each its own name")
	_, err = load(t, two, strings.Replace(goodPlant, "Larkspur", "Other", 1))
	require.ErrorContains(t, err, "any node")
	_, err = load(t, two, strings.Replace(goodPlant, "Larkspur", "Other", 1)+"node = \"larkspur/other\"\n")
	require.NoError(t, err)
}
