package server

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/wire"
	"decktrim/server/store"
)

func contextOf(t testing.TB) (context.Context, context.CancelFunc) {
	return context.WithCancel(context.WithoutCancel(t.Context()))
}

// TestMain lets the test binary be the server that is killed (see TestKill).
func TestMain(m *testing.M) {
	if dir := os.Getenv("DECKTRIM_TEST_SERVER"); dir != "" {
		c := DefaultConfig()
		c.Server.Listen, c.MQTT.Listen, c.Server.Data = "127.0.0.1:0", "127.0.0.1:0", dir
		c.MQTT.AcceptUnknownNodes = true
		c.Plants = []*plant.Plant{testPlantFile()}
		s, err := New(Options{Config: c, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))})
		if err == nil {
			fmt.Println(s.MQTTAddr())
			err = s.Run(context.Background())
		}
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func rowsOf(t testing.TB, dir string) []store.ExportRow {
	s, err := store.OpenForExport(dir)
	require.NoError(t, err)
	defer s.Close()
	var rows []store.ExportRow
	require.NoError(t, s.Export(t.Context(), store.Filter{}, func(r store.ExportRow) error {
		rows = append(rows, r)
		return nil
	}))
	return rows
}

// brokers runs a test with the broker inside and with a real one outside.
func brokers(t *testing.T, test func(t *testing.T, s running, address string, c Config)) {
	t.Run("embedded", func(t *testing.T) {
		c := testConfig(t)
		s := start(t, c)
		test(t, s, s.MQTTAddr(), c)
	})
	t.Run("mosquitto", func(t *testing.T) {
		c := testConfig(t)
		address := mosquitto(t)
		c.MQTT.Mode, c.MQTT.URL, c.MQTT.Listen = "external", "tcp://"+address, ""
		test(t, start(t, c), address, c)
	})
}

func TestStoredThenConfirmed(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, s running, address string, c Config) {
		b := newBoard(t, address, wire.NodeID{Group: "larkspur", Node: "mill"}, "6f1c2c9e-0000-4000-8000-000000000001")
		b.birth(1, 0)
		b.waitAcked(0) // once after each birth
		for seq := int64(1); seq <= 20; seq++ {
			b.record(seq)
		}
		b.waitAcked(20)

		for _, seq := range []int64{5, 5, 22, 24, 23, 3, 22} { // doubled, replayed, out of order; 21 is missing
			b.record(seq)
		}
		require.Never(t, func() bool { return b.acked() > 20 }, 1500*time.Millisecond, 20*time.Millisecond, "never past a hole")
		b.record(21)
		b.waitAcked(24)

		b.record(40, spoolInt(wire.MetricGapFrom, 25), spoolInt(wire.MetricGapTo, 39))
		b.waitAcked(40)
		b.record(60)
		b.record(61, spoolInt(wire.MetricOldest, 60))
		b.waitAcked(61)

		b.birth(60, 61) // the same connection once more: confirmed at once
		b.waitAcked(61)

		rows := rowsOf(t, c.Server.Data)
		var seqs []int64
		for _, r := range rows {
			require.Equal(t, "larkspur/mill", r.Node)
			require.Equal(t, b.stream, r.Stream)
			require.Equal(t, plant.Good, r.Quality)
			require.EqualValues(t, frameTime(r.Seq), r.TS)
			if r.Metric == "Belt/feed_rate" {
				require.Equal(t, float64(r.Seq), r.Value)
				seqs = append(seqs, r.Seq)
			}
		}
		want := []int64{40, 60, 61}
		for seq := int64(1); seq <= 24; seq++ {
			want = append(want, seq)
		}
		slices.Sort(want)
		require.Equal(t, want, seqs)
		require.Len(t, rows, 2*len(want))
		p := s.Store().ProgressOf("larkspur/mill", b.stream)
		require.Equal(t, store.Progress{Acked: 61, Oldest: 60, Last: 61, Lost: 15 + 19}, p)
	})
}

func TestForeignNodesAndDevices(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, s running, address string, c Config) {
		b := newBoard(t, address, wire.NodeID{Group: "Grube 7", Node: "größe.1 (alt)"}, "")
		b.birth(0, 0)
		ts := now() + 1
		kinds := []wire.Metric{
			{Name: "Belt/feed_rate", Timestamp: ts, Type: wire.TypeDouble, Null: true},
			{Name: "Mill/mill_current", Timestamp: ts, Type: wire.TypeDouble, Value: 31.25,
				Properties: []wire.Property{{Key: wire.PropertyQuality, Type: wire.TypeInt32, Value: int64(500)}}},
		}
		b.send(wire.DBIRTH, "radio 1", wire.Metric{Name: "on", Timestamp: ts, Type: wire.TypeBoolean, Value: true},
			wire.Metric{Name: "n", Timestamp: ts, Type: wire.TypeInt64, Value: int64(math.MinInt64)},
			wire.Metric{Name: "text", Timestamp: ts, Type: wire.TypeString, Value: "sand"})
		for range 3 { // repeats change nothing
			b.send(wire.NDATA, "", kinds...)
			b.send(wire.DDATA, "radio 1", wire.Metric{Name: "on", Timestamp: ts + 1, Type: wire.TypeBoolean, Value: false},
				wire.Metric{Name: "gone", Timestamp: ts + 1, Type: wire.TypeInt64, Transient: true, Value: int64(1)})
		}
		find := func(device, metric string, at uint64) (found []store.ExportRow) {
			for _, r := range rowsOf(t, c.Server.Data) {
				require.Equal(t, b.id.String(), r.Node)
				if r.Device == device && r.Metric == metric && (at == 0 || r.TS == int64(at)) {
					found = append(found, r)
				}
			}
			return found
		}
		require.Eventually(t, func() bool { return len(find("radio 1", "on", ts+1)) == 1 }, patience, 20*time.Millisecond)
		require.Equal(t, false, find("radio 1", "on", ts+1)[0].Value)
		require.Equal(t, int64(math.MinInt64), find("radio 1", "n", 0)[0].Value)
		require.Equal(t, "sand", find("radio 1", "text", 0)[0].Value)
		null := find("", "Belt/feed_rate", ts)
		require.Len(t, null, 1)
		require.Nil(t, null[0].Value)
		stale := find("", "Mill/mill_current", ts)
		require.Len(t, stale, 1)
		require.Equal(t, plant.Stale, stale[0].Quality)
		require.Empty(t, find("radio 1", "gone", 0), "transient is not kept")
		require.Empty(t, find("", "bdSeq", 0))
		require.Len(t, find("", "Mill/mill_current", 0), 2, "the birth's value and the data's")
	})
}

func TestDataWithoutBirthOrdersOne(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, s running, address string, c Config) {
		b := newBoard(t, address, wire.NodeID{Group: "larkspur", Node: "mill"}, "s")
		b.record(1)
		require.Eventually(t, func() bool { b.mu.Lock(); defer b.mu.Unlock(); return b.rebirth > 0 }, patience, 10*time.Millisecond)
		b.birth(1, 1)
		b.record(1)
		b.waitAcked(1)
	})
}

func TestState(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, s running, address string, c Config) {
		states := make(chan string, 10)
		watch := func(name string) {
			client, err := connectTo(t, address, name, nil)
			require.NoError(t, err)
			tok := client.Subscribe("spBv1.0/STATE/decktrim", 1, func(_ paho.Client, m paho.Message) {
				states <- fmt.Sprint(m.Retained(), " ", string(m.Payload()))
			})
			require.True(t, tok.WaitTimeout(patience))
		}
		next := func() string {
			select {
			case text := <-states:
				return text
			case <-time.After(patience):
				t.Fatal("no STATE")
				return ""
			}
		}
		watch("late")
		online := next()
		require.Regexp(t, `^true \{"online":true,"timestamp":\d{13}\}$`, online, "retained")
		s.stop()
		require.Regexp(t, `^false \{"online":false,"timestamp":\d{13}\}$`, next())
	})
}

// TestKill kills a server under load again and again. Whatever it had confirmed must
// be there afterwards, and the rest must come once, when it is sent again.
func TestKill(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	id := wire.NodeID{Group: "larkspur", Node: "mill"}
	const stream = "6f1c2c9e-0000-4000-8000-000000000002"
	var confirmed, sent int64
	for round := range 4 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "DECKTRIM_TEST_SERVER="+dir)
		cmd.Stderr = t.Output()
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		line, err := bufio.NewReader(out).ReadString('\n')
		require.NoError(t, err)

		b := newBoard(t, strings.TrimSpace(line), id, stream)
		b.birth(1, sent)
		for seq := confirmed + 1; seq <= sent; seq++ { // sent again
			b.record(seq)
		}
		until := time.Now().Add(time.Duration(1100+100*round) * time.Millisecond)
		for time.Now().Before(until) || b.acked() <= confirmed {
			sent++
			b.record(sent)
			if sent%20 == 0 {
				time.Sleep(time.Millisecond)
			}
		}
		require.NoError(t, cmd.Process.Signal(syscall.SIGKILL))
		require.Error(t, cmd.Wait())
		confirmed = b.acked()
		b.client.Disconnect(0)

		seqs := map[int64]int{}
		for _, r := range rowsOf(t, dir) {
			seqs[r.Seq]++
			require.EqualValues(t, frameTime(r.Seq), r.TS)
		}
		for seq := int64(1); seq <= confirmed; seq++ {
			require.Equal(t, 2, seqs[seq], "number %d was confirmed (up to %d)", seq, confirmed)
		}
		for seq, n := range seqs {
			require.Equal(t, 2, n, "number %d", seq)
			require.LessOrEqual(t, seq, sent)
		}
	}
	require.Greater(t, confirmed, int64(100))
	t.Logf("%d records sent, %d confirmed", sent, confirmed)
}

func TestOnlyAdmittedNodesMaySend(t *testing.T) {
	t.Parallel()
	c := testConfig(t)
	c.MQTT.AcceptUnknownNodes = false
	c.MQTT.Nodes = []string{"larkspur/mill"}
	s := start(t, c)
	known := newBoard(t, s.MQTTAddr(), wire.NodeID{Group: "larkspur", Node: "mill"}, "s")
	stranger, err := connectTo(t, s.MQTTAddr(), "stranger", nil)
	require.NoError(t, err)
	publish := func(topic string, qos byte, retain bool, p wire.Payload) {
		require.True(t, stranger.Publish(topic, qos, retain, p.Append(nil)).WaitTimeout(patience))
	}
	confirmation := *wire.Confirmation("s", 1<<40, time.Now())
	publish("spBv1.0/larkspur/NCMD/mill", 0, false, confirmation)
	publish("spBv1.0/STATE/decktrim", 0, true, confirmation)
	publish("spBv1.0/larkspur/NBIRTH/pond", 0, false, wire.Payload{Timestamp: now(), HasSeq: true, Metrics: []wire.Metric{double("x", now(), 1)}})
	known.birth(1, 0)
	known.record(1)
	known.waitAcked(1)
	require.NotContains(t, known.acks, int64(1<<40), "only the host commands")
	for _, r := range rowsOf(t, c.Server.Data) {
		require.Equal(t, "larkspur/mill", r.Node)
	}

	wills := map[string]struct {
		topic  string
		retain bool
	}{
		"on another's commands":    {"spBv1.0/larkspur/NCMD/mill", false},
		"of a node not admitted":   {"spBv1.0/larkspur/NDEATH/pond", false},
		"retained":                 {"spBv1.0/larkspur/NDEATH/mill", true},
		"outside of the namespace": {"anything", false},
	}
	for name, w := range wills {
		t.Run("will "+name, func(t *testing.T) {
			_, err := connectTo(t, s.MQTTAddr(), "w"+name, func(o *paho.ClientOptions) { o.SetBinaryWill(w.topic, []byte("x"), 1, w.retain) })
			require.Error(t, err)
		})
	}
	_, err = connectTo(t, s.MQTTAddr(), "for ever", func(o *paho.ClientOptions) { o.SetKeepAlive(0) })
	require.Error(t, err, "keep-alive 0 would never notice that a peer is gone")
	client, err := connectTo(t, s.MQTTAddr(), "nosy", nil)
	require.NoError(t, err)
	for _, filter := range []string{"#", "+/larkspur/#", "$SYS/#", "$share/x/spBv1.0/#"} {
		tok := client.Subscribe(filter, 1, nil).(*paho.SubscribeToken)
		require.True(t, tok.WaitTimeout(patience))
		if tok.Error() == nil {
			for _, code := range tok.Result() {
				require.EqualValues(t, 0x80, code, filter)
			}
		}
	}
}

func get(t testing.TB, url string, change ...func(*http.Request)) (status int, body string, header http.Header) {
	r, err := http.NewRequest(http.MethodGet, url, nil)
	require.NoError(t, err)
	for _, f := range change {
		f(r)
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	answer, err := client.Do(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return answer.StatusCode, string(text), answer.Header
}

func TestNowShowsWhatIsCurrent(t *testing.T) {
	t.Parallel()
	s := start(t, testConfig(t))
	type answer struct {
		Plants []struct {
			Name, State, Headline string
			Steady                bool
			Channels              []struct {
				Name, Unit, Quality string
				Value               *float64
				At                  *string
			}
			Nodes []struct {
				ID     string
				Online bool
			}
		}
	}
	ask := func() (a answer) {
		status, body, _ := get(t, s.URL()+"/api/v1/now")
		require.Equal(t, 200, status, body)
		require.NoError(t, json.Unmarshal([]byte(body), &a))
		return a
	}
	before := ask().Plants[0]
	require.Equal(t, "Larkspur mill", before.Name)
	require.Equal(t, "not known", before.State)
	require.Nil(t, before.Channels[0].Value, "missing is null, never 0")
	require.Equal(t, "bad", before.Channels[0].Quality)

	b := newBoard(t, s.MQTTAddr(), wire.NodeID{Group: "larkspur", Node: "mill"}, "s")
	b.birth(1, 0)
	ts := now()
	b.send(wire.NDATA, "", double("Belt/feed_rate", ts, 1.92), double("Mill/mill_current", ts, 0), spoolInt(wire.MetricLast, 1))
	b.record(2) // historical: not current
	b.waitAcked(2)
	p := ask().Plants[0]
	require.Equal(t, 1.92, *p.Channels[0].Value)
	require.Equal(t, 0.0, *p.Channels[1].Value, "a measured zero is a value")
	require.Equal(t, "good", p.Channels[0].Quality)
	require.Equal(t, "t/h", p.Channels[0].Unit)
	require.Equal(t, time.UnixMilli(int64(ts)).UTC().Format("2006-01-02T15:04:05.999Z07:00"), *p.Channels[0].At)
	require.True(t, p.Nodes[0].Online)

	b.send(wire.NDEATH, "", wire.Metric{Name: wire.MetricBdSeq, Timestamp: now(), Type: wire.TypeInt64, Value: int64(0)})
	require.Eventually(t, func() bool { return ask().Plants[0].Channels[0].Quality == "stale" }, patience, 20*time.Millisecond)
	p = ask().Plants[0]
	require.Equal(t, 1.92, *p.Channels[0].Value)
	require.Regexp(t, `^Last known at \d\d:\d\d\.$`, p.Headline)
	require.False(t, p.Nodes[0].Online)
}

func TestSignIn(t *testing.T) {
	t.Parallel()
	c := testConfig(t)
	s := start(t, c)
	token, err := os.ReadFile(filepath.Join(c.Server.Data, tokenFile))
	require.NoError(t, err)
	info, err := os.Stat(filepath.Join(c.Server.Data, tokenFile))
	require.NoError(t, err)
	require.EqualValues(t, 0o600, info.Mode().Perm())
	bearer := func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token))) }
	tests := []struct {
		name, path string
		change     func(*http.Request)
		want       int
	}{
		{"health is open", "/livez", nil, 200},
		{"healthz too", "/healthz", nil, 200},
		{"ready", "/readyz", nil, 200},
		{"started", "/startupz", nil, 200},
		{"now from this machine", "/api/v1/now", nil, 200},
		{"metrics from this machine", "/metrics", nil, 200},
		{"lots are not for everybody", "/api/v1/lots", nil, 401},
		{"lots with the token", "/api/v1/lots", bearer, 200},
		{"a wrong token", "/api/v1/lots", func(r *http.Request) { r.Header.Set("Authorization", "Bearer x") }, 401},
		{"now through a proxy", "/api/v1/now", func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.0.2.1") }, 401},
		{"now under a foreign name", "/api/v1/now", func(r *http.Request) { r.Host = "evil.example" }, 401},
		{"pages ask to sign in", "/", nil, 303},
		{"events", "/events", nil, 401},
		{"unknown address with the token", "/api/v1/none", bearer, 404},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var change []func(*http.Request)
			if tt.change != nil {
				change = append(change, tt.change)
			}
			status, body, header := get(t, s.URL()+tt.path, change...)
			require.Equal(t, tt.want, status, body)
			require.Contains(t, header.Get("Content-Security-Policy"), "default-src 'none'")
			require.Equal(t, "nosniff", header.Get("X-Content-Type-Options"))
		})
	}

	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	enter := func(token string, headers ...string) *http.Response {
		r, err := http.NewRequest(http.MethodPost, s.URL()+"/sign-in", strings.NewReader(url.Values{"token": {token}, "to": {"//evil.example"}}.Encode()))
		require.NoError(t, err)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for i := 0; i < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		answer, err := client.Do(r)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return answer
	}
	require.Equal(t, 403, enter(string(token), "Sec-Fetch-Site", "cross-site").StatusCode)
	good := enter(string(token))
	require.Equal(t, 303, good.StatusCode)
	require.Equal(t, "/", good.Header.Get("Location"), "never away from this site")
	cookie := good.Cookies()[0]
	require.True(t, cookie.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	with := func(r *http.Request) { r.AddCookie(cookie) }
	status, _, _ := get(t, s.URL()+"/api/v1/lots", with)
	require.Equal(t, 200, status)
	status, _, _ = get(t, s.URL()+"/", with)
	require.NotEqual(t, 401, status)
	for range triesFree + 1 {
		require.Equal(t, 401, enter("wrong").StatusCode)
	}
	require.Equal(t, 429, enter("wrong").StatusCode)

	require.Equal(t, 403, enter(string(token), "Cookie", "a=b").StatusCode, "a cookie, and neither Origin nor Sec-Fetch-Site")
}

func TestOpenReadsWithoutSignIn(t *testing.T) {
	t.Parallel()
	s := start(t, testConfig(t), func(o *Options) { o.Open = true })
	for _, path := range []string{"/metrics", "/api/v1/lots", "/api/v1/system"} {
		status, body, _ := get(t, s.URL()+path)
		require.Equal(t, 200, status, body)
	}
	c := testConfig(t)
	c.Server.Listen = "0.0.0.0:0"
	_, err := New(Options{Config: c, Open: true})
	require.ErrorContains(t, err, "not on loopback")
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	s := start(t, testConfig(t))
	b := newBoard(t, s.MQTTAddr(), wire.NodeID{Group: "larkspur", Node: "mill"}, "s")
	b.birth(1, 0)
	b.record(1)
	b.record(1)
	b.waitAcked(1)
	_, body, _ := get(t, s.URL()+"/metrics")
	for line := range strings.Lines(body) {
		require.Regexp(t, `^(#|decktrim_)`, line)
	}
	require.Contains(t, body, "decktrim_frames_committed_total 1\n")
	require.Contains(t, body, "decktrim_duplicates_total 1\n")
	require.Contains(t, body, `decktrim_node_acked_seq{node="larkspur/mill"} 1`)
}

func TestNothingHalfDone(t *testing.T) {
	t.Parallel()
	c := testConfig(t)
	s := start(t, c)
	taken := testConfig(t)
	taken.Server.Listen = strings.TrimPrefix(s.URL(), "http://")
	_, err := New(Options{Config: taken})
	require.ErrorContains(t, err, "in use by another program")
	entries, err := os.ReadDir(taken.Server.Data)
	require.NoError(t, err)
	require.Empty(t, entries)

	same := testConfig(t)
	same.Server.Data = c.Server.Data
	_, err = New(Options{Config: same})
	require.ErrorContains(t, err, "in use by another decktrim")

	bad := testConfig(t)
	bad.Server.Data = filepath.Join(os.DevNull, "data")
	_, err = New(Options{Config: bad})
	require.ErrorContains(t, err, "data folder")
	require.NotContains(t, err.Error(), "\n")
}

func TestRestartGoesOn(t *testing.T) {
	t.Parallel()
	c := testConfig(t)
	s := start(t, c)
	id := wire.NodeID{Group: "larkspur", Node: "mill"}
	b := newBoard(t, s.MQTTAddr(), id, "s")
	b.birth(1, 0)
	b.record(1)
	b.record(3)
	b.waitAcked(1)
	s.stop()
	s = start(t, c)
	require.Equal(t, int64(1), s.Hub().Nodes()[0].Acked, "a node that stays away is known")
	b = newBoard(t, s.MQTTAddr(), id, "s")
	b.birth(1, 3)
	b.waitAcked(1)
	b.record(2)
	b.waitAcked(3)
}

// TestBrokerOutsideComesBack: the host notices that the broker is gone, and goes on
// when it is there again, with a new will.
func TestBrokerOutsideComesBack(t *testing.T) {
	t.Parallel()
	address := freeAddress(t)
	c := testConfig(t)
	c.MQTT.Mode, c.MQTT.URL, c.MQTT.Listen = "external", "tcp://"+address, ""
	kill := mosquittoAt(t, address)
	s := start(t, c)
	id := wire.NodeID{Group: "larkspur", Node: "mill"}
	b := newBoard(t, address, id, "s")
	b.birth(1, 0)
	b.record(1)
	b.waitAcked(1)
	kill()
	require.Eventually(t, func() bool { return !s.broker.Connected() }, patience, 10*time.Millisecond)
	require.Eventually(t, func() bool { return !s.Hub().Nodes()[0].Online }, patience, 10*time.Millisecond, "what is not heard is not shown as current")
	status, body, _ := get(t, s.URL()+"/readyz")
	require.Equal(t, 503, status)
	require.Contains(t, body, "broker")
	mosquittoAt(t, address)
	require.Eventually(t, s.broker.Connected, patience, 10*time.Millisecond)
	b = newBoard(t, address, id, "s")
	b.birth(1, 1)
	b.record(2)
	b.waitAcked(2)
}
