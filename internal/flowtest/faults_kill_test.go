package flowtest

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// count is how often a fault is caused: few times in the quick suite, more in long
// runs, which set the variable.
func count(t testing.TB, variable string, quick int) int {
	word := os.Getenv(variable)
	if word == "" {
		return quick
	}
	n, err := strconv.Atoi(word)
	require.NoError(t, err, variable)
	return n
}

// seeded prints its seed; FAULT_SEED gives the same moments again.
func seeded(t testing.TB) *rand.Rand {
	seed := count(t, "FAULT_SEED", int(time.Now().UnixNano()&0x7fffffff))
	t.Logf("FAULT_SEED=%d", seed)
	return rand.New(rand.NewPCG(uint64(seed), 1))
}

// at10Hz starts the board with ten frames a second.
func (l *line) at10Hz() {
	l.t.Helper()
	l.file("edge.toml", `[node]
id = "mill"
group = "larkspur"
plant = "plant.toml"
[mqtt]
url = "tcp://127.0.0.1:%d"
[spool]
dir = "spool"
[sample]
period = "100ms"
[[bus]]
name = "main"
kind = "simulated"
seed = 5
hold = { wash_water = 61 }
`, l.mqtt)
	l.restartEdge()
}

func (l *line) restartEdge() {
	l.edge = start(l.t, "decktrim-edge", "run", "--config", filepath.Join(l.dir, "edge.toml"))
}

// Board and server are killed at random moments under ten frames a second; at the
// end every number from 1 on is stored exactly once.
func TestKilledAtRandom(t *testing.T) {
	t.Parallel()
	random := seeded(t)
	l := newLine(t, false)
	l.startServer()
	l.at10Hz()
	kills := count(t, "FAULT_KILLS", 10)
	for i := range kills {
		time.Sleep(time.Duration(random.IntN(1500)) * time.Millisecond)
		if random.IntN(2) == 0 {
			l.edge.kill(t)
			l.restartEdge()
		} else {
			l.server.kill(t)
			time.Sleep(time.Duration(random.IntN(500)) * time.Millisecond)
			l.startServer()
		}
		if i%100 == 99 {
			t.Logf("%d kills", i+1)
		}
	}
	time.Sleep(2 * time.Second)
	_, seqs := l.sequence()
	require.NotEmpty(t, seqs)
	last := int(seqs[len(seqs)-1])
	l.requireNoHole(last + 10)
	t.Logf("%d kills, %d frames, each stored once", kills, last)
}

// The broker outside is killed and started again, then hangs for a while. The board
// measures on, and everything it took is stored.
func TestBrokerKilledAndHung(t *testing.T) {
	t.Parallel()
	l := newLine(t, false) // the configuration is written again with a broker of our own
	conf, err := os.ReadFile(filepath.Join(l.dir, "server.toml"))
	require.NoError(t, err)
	l.file("server.toml", "%s", strings.Replace(string(conf),
		fmt.Sprintf("mode = \"embedded\"\nlisten = \"127.0.0.1:%d\"", l.mqtt),
		fmt.Sprintf("mode = \"external\"\nurl = \"tcp://127.0.0.1:%d\"", l.mqtt), 1))
	mosquitto := l.file("mosquitto.conf", "listener %d 127.0.0.1\nallow_anonymous true\n", l.mqtt)
	broker := start(t, "/usr/sbin/mosquitto", "-c", mosquitto)
	l.startServer()
	l.at10Hz()
	time.Sleep(3 * time.Second)
	for range count(t, "FAULT_BROKER_KILLS", 2) {
		broker.kill(t)
		time.Sleep(2 * time.Second)
		broker = start(t, "/usr/sbin/mosquitto", "-c", mosquitto)
		time.Sleep(3 * time.Second)
	}
	require.NoError(t, broker.Process.Signal(syscall.SIGSTOP))
	time.Sleep(15 * time.Second)
	require.NoError(t, broker.Process.Signal(syscall.SIGCONT))
	eventually(t, 70*time.Second, "the backlog is stored", func() error {
		_, seqs := l.sequence()
		if len(seqs) < 150 {
			return fmt.Errorf("%d frames", len(seqs))
		}
		return nil
	})
	l.requireNoHole(150)
}
