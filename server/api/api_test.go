package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/stretchr/testify/require"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
	"decktrim/internal/watch"
	"decktrim/server/live"
	"decktrim/server/store"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

const name = "Larkspur mill"

// full is an API with something in every list, and one with nothing in any.
func full(t *testing.T, filled bool) http.Handler {
	p := &plant.Plant{Plant: plant.Identity{Name: name}, Location: time.UTC, Channels: []plant.Channel{
		{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h"}, {Name: "mill_current", Role: plant.MillCurrent, Unit: "A"}}}
	clock := func() time.Time { return start.Add(time.Minute) }
	s, err := store.Open(store.Options{Dir: t.TempDir(), Plants: []*plant.Plant{p}, Now: clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	hub := live.NewHub(live.Options{Plants: []*plant.Plant{p}, Now: clock})
	if filled {
		fill(t, s, hub)
	}
	return New(Options{Live: hub, Store: s, Now: clock, Started: time.Now(), Version: "test",
		Advise: func(_ context.Context, _, source string) (any, error) {
			if source == "Corvid Stockwork" {
				return nil, errors.New("no such luck")
			}
			return map[string]any{"source": source, "action": "hold"}, nil
		}})
}

func fill(t *testing.T, s *store.Store, hub *live.Hub) {
	ctx := context.Background()
	recovery := 71.5
	for i, e := range []struct {
		kind ledger.Kind
		body any
	}{
		{ledger.KindOreSource, ledger.OreSource{Name: "Dunlin Lode", Character: "weathered", HeadGrade: &recovery}},
		{ledger.KindOreSource, ledger.OreSource{Name: "Corvid Stockwork"}},
		{ledger.KindLot, ledger.Lot{ID: "D-01", OreSource: "Dunlin Lode", Received: start, WetTonnes: 30, Moisture: 0.08}},
		{ledger.KindRun, ledger.Run{Run: runs.Run{ID: "1", OreSource: "Dunlin Lode", Start: start, Settings: map[string]float64{"wash_water": 45}, Recovery: &recovery, Status: runs.Measured}, End: start.Add(time.Hour)}},
		{ledger.KindRun, ledger.Run{Run: runs.Run{ID: "2", OreSource: "Dunlin Lode", Status: runs.Waiting, Due: "2026-02-01"}}},
	} {
		body, err := json.Marshal(e.body)
		require.NoError(t, err)
		require.NoError(t, s.AppendEntries(ctx, ledger.Entry{ID: string(rune('a' + i)), Plant: name, Kind: e.kind, At: start, Body: body}))
	}
	b := store.Batch{}
	v := live.Values{Node: "larkspur/mill", Received: time.Now(), Sent: start, ClockSet: true, New: true}
	for i := range int64(30) {
		if i > 10 && i < 20 {
			continue // a gap
		}
		ts := start.Add(time.Duration(i) * time.Second)
		b.Frames = append(b.Frames, store.Frame{Node: v.Node, Stream: "s", Seq: i + 1, TS: ts.UnixMilli(),
			Samples: []store.Sample{{Metric: "Belt/feed_rate", TS: ts.UnixMilli(), Value: 1.9, Quality: plant.Good}}})
		v.Samples = []live.Sample{{Metric: "Belt/feed_rate", At: ts, Reading: plant.Reading{Value: 1.9, Has: true, Quality: plant.Good}}}
	}
	_, err := s.Commit(ctx, b)
	require.NoError(t, err)
	hub.Born(v.Node, "", start)
	hub.Values(v)
	follows := "mill_choke"
	hub.SetWatch(name, watch.Status{State: watch.StateRunning, StateSince: start, Standing: []watch.Event{
		{Time: start, Kind: watch.FeedSurge, Channel: "feed_rate", Priority: watch.Act, Follows: &follows}}}, nil)
}

// TestEveryAnswerIsAsDescribed checks the description itself, and every answer,
// right and wrong, against it.
func TestEveryAnswerIsAsDescribed(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromData(document)
	require.NoError(t, err)
	require.NoError(t, doc.Validate(context.Background()))
	router, err := gorillamux.NewRouter(doc)
	require.NoError(t, err)
	q := url.Values{"plant": {name}}.Encode()
	tests := []struct {
		path string
		want int
	}{
		{"/api/v1/now", 200},
		{"/api/v1/system", 200},
		{"/api/v1/series?channel=feed_rate&" + q, 200},
		{"/api/v1/series?channel=feed_rate&from=2026-01-05T07:00:00Z&to=2026-01-05T07:01:00Z&points=5", 200},
		{"/api/v1/series?channel=feed_rate&from=2020-01-05T07:00:00%2B01:00", 200},
		{"/api/v1/series?channel=nothing", 404},
		{"/api/v1/series", 404},
		{"/api/v1/series?channel=feed_rate&points=1", 400},
		{"/api/v1/series?channel=feed_rate&points=NaN", 400},
		{"/api/v1/series?channel=feed_rate&from=yesterday", 400},
		{"/api/v1/series?channel=feed_rate&from=2026-01-06T00:00:00Z&to=2026-01-05T00:00:00Z", 400},
		{"/api/v1/sources", 200},
		{"/api/v1/sources?plant=other", 404},
		{"/api/v1/lots", 200},
		{"/api/v1/runs?" + q, 200},
		{"/api/v1/advice", 400},
		{"/api/v1/advice?source=Nowhere", 404},
	}
	for state, filled := range map[string]bool{"filled": true, "empty": false} {
		h := full(t, filled)
		for _, tt := range tests {
			t.Run(state+" "+tt.path, func(t *testing.T) { check(t, h, router, tt.path, tt.want) })
		}
	}
	h := full(t, true)
	check(t, h, router, "/api/v1/advice?source=Dunlin+Lode", 200)
	check(t, h, router, "/api/v1/advice?source=Corvid+Stockwork", 500)

	described := map[string]bool{}
	for _, tt := range tests {
		u, err := url.Parse(tt.path)
		require.NoError(t, err)
		described[u.Path] = true
	}
	for path := range doc.Paths.Map() {
		require.True(t, described[path], "%s is described and not tested", path)
	}
}

func check(t *testing.T, h http.Handler, router routers.Router, path string, want int) {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	require.Equal(t, want, w.Code, w.Body.String())
	route, params, err := router.FindRoute(r)
	require.NoError(t, err)
	in := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc}}
	if want == 200 {
		require.NoError(t, openapi3filter.ValidateRequest(context.Background(), in))
	}
	require.NoError(t, openapi3filter.ValidateResponse(context.Background(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: w.Code, Header: w.Header(), Body: io.NopCloser(bytes.NewReader(w.Body.Bytes())),
		Options: &openapi3filter.Options{IncludeResponseStatus: true}}), w.Body.String())
}

func TestSeriesMarksTheGap(t *testing.T) {
	w := httptest.NewRecorder()
	full(t, true).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/series?channel=feed_rate&from=2026-01-05T07:00:00Z&to=2026-01-05T07:01:00Z", nil))
	var a Series
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &a))
	require.Len(t, a.Points, 22)
	for i, p := range a.Points {
		require.Equal(t, i == 11, p.Mean == nil, "point %d", i)
	}
	require.Contains(t, w.Body.String(), `"mean":null`)
}

func TestWrongMethodAndAddress(t *testing.T) {
	h := full(t, false)
	for _, tt := range []struct {
		method, path string
		want         int
	}{{"POST", "/api/v1/now", 405}, {"DELETE", "/api/v1/runs", 405}, {"GET", "/api/v2/now", 404}, {"HEAD", "/api/v1/now", 200}} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(tt.method, tt.path, nil))
		require.Equal(t, tt.want, w.Code)
		if tt.want >= 400 {
			var e struct{ Error map[string]string }
			require.NoError(t, json.Unmarshal(w.Body.Bytes(), &e))
			for _, key := range []string{"what", "where", "do"} {
				require.NotEmpty(t, e.Error[key])
			}
		}
	}
}
