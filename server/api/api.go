// Package api is the JSON API under /api/v1/, its description, and health. It reads;
// it writes nothing.
package api

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/ledger"
	"decktrim/server/live"
	"decktrim/server/store"
)

// Live is what is current.
type Live interface {
	Snapshot() []live.Plant
	Nodes() []live.Node
}

// Store is what is stored.
type Store interface {
	Range(ctx context.Context, plantName, channel string, from, to time.Time, maxPoints int) ([]store.Point, error)
	OreSources(ctx context.Context, plantName string) ([]ledger.OreSource, error)
	Lots(ctx context.Context, plantName string) ([]ledger.Lot, error)
	Runs(ctx context.Context, plantName string) ([]ledger.Run, error)
	Stats(ctx context.Context) (store.Stats, error)
}

// Options of New. Advise may be nil: then advice is not set up and the API says so.
type Options struct {
	Live    Live
	Store   Store
	Advise  func(ctx context.Context, plantName, source string) (any, error)
	Now     func() time.Time
	Started time.Time // real clock
	Version string
	Log     *slog.Logger
}

//go:embed openapi.json
var document []byte

type api struct{ Options }

// queryLimit cuts a query that takes too long; the caller is told.
const queryLimit = 10 * time.Second

// New is the handler of everything under /api/.
func New(o Options) http.Handler {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	a := &api{o}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/now", a.answer(a.nowPlants))
	mux.HandleFunc("GET /api/v1/series", a.answer(a.series))
	mux.HandleFunc("GET /api/v1/sources", a.answer(a.sources))
	mux.HandleFunc("GET /api/v1/lots", a.answer(a.lots))
	mux.HandleFunc("GET /api/v1/runs", a.answer(a.runs))
	mux.HandleFunc("GET /api/v1/advice", a.answer(a.advice))
	mux.HandleFunc("GET /api/v1/system", a.answer(a.system))
	mux.HandleFunc("GET /api/openapi.json", func(w http.ResponseWriter, r *http.Request) {
		write(w, r, http.StatusOK, document)
	})
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		WriteError(w, r, &Error{http.StatusNotFound, "there is nothing at this address", r.URL.Path, "see /api/openapi.json for what there is"})
	})
	return methods(mux)
}

// methods answers a wrong method with our own error instead of plain text.
func methods(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			WriteError(w, r, &Error{http.StatusMethodNotAllowed, "this address is for reading only", r.URL.Path, "use GET"})
			return
		}
		next.ServeHTTP(w, r)
	})
}

// Error is an answer that says what is wrong, where, and what to do.
type Error struct {
	Status          int
	What, Where, Do string
}

func (e *Error) Error() string { return e.What + ": " + e.Where + ": " + e.Do }

// WriteError writes {"error":{"what","where","do"}}.
func WriteError(w http.ResponseWriter, r *http.Request, e *Error) {
	body, err := json.Marshal(map[string]any{"error": map[string]string{"what": e.What, "where": e.Where, "do": e.Do}})
	if err != nil {
		http.Error(w, e.What, e.Status)
		return
	}
	write(w, r, e.Status, body)
}

func (a *api) answer(f func(*http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), queryLimit)
		defer cancel()
		v, err := f(r.WithContext(ctx))
		var body []byte
		if err == nil {
			body, err = json.Marshal(v)
		}
		if err == nil {
			write(w, r, http.StatusOK, body)
			return
		}
		e, ok := err.(*Error)
		switch {
		case ok:
		case ctx.Err() != nil && r.Context().Err() == nil:
			e = &Error{http.StatusServiceUnavailable, "the answer took more than 10 s", r.URL.Path, "ask for a shorter stretch or fewer points"}
		default:
			a.Log.Error("API request failed", "path", r.URL.Path, "error", err)
			e = &Error{http.StatusInternalServerError, "the server could not answer", r.URL.Path, "try again; the server's log says more"}
		}
		WriteError(w, r, e)
	}
}

// write sends JSON, compressed where that saves more than it costs.
func write(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Add("Vary", "Accept-Encoding")
	if len(body) > 2048 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		var b bytes.Buffer
		z, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed) // the level is a valid constant
		if _, err := z.Write(body); err == nil && z.Close() == nil {
			w.Header().Set("Content-Encoding", "gzip")
			body = b.Bytes()
		}
	}
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		io.Copy(w, bytes.NewReader(body)) // an error means that the reader has gone
	}
}

const timeForm = "2006-01-02T15:04:05.999Z07:00"

func stamp(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	s := t.UTC().Format(timeForm)
	return &s
}

// Now is the answer of GET /api/v1/now.
type Now struct {
	Plants []NowPlant `json:"plants"`
}

type NowPlant struct {
	Name        string       `json:"name"`
	State       string       `json:"state"`
	StateSince  *string      `json:"state_since"`
	Steady      bool         `json:"steady"`
	SteadySince *string      `json:"steady_since"`
	Headline    string       `json:"headline"`
	OreSource   *string      `json:"ore_source"`
	Lot         *string      `json:"lot"`
	Alarms      []NowAlarm   `json:"alarms"`
	Channels    []NowChannel `json:"channels"`
	Nodes       []NowNode    `json:"nodes"`
}

type NowAlarm struct {
	Kind     string   `json:"kind"`
	Channel  *string  `json:"channel"`
	Priority string   `json:"priority"`
	Since    *string  `json:"since"`
	Cause    string   `json:"cause"`
	Detail   string   `json:"detail"`
	Follows  []string `json:"follows"`
}

type NowChannel struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Quality string   `json:"quality"`
	Reason  *string  `json:"reason"`
	At      *string  `json:"at"`
}

type NowNode struct {
	ID      string  `json:"id"`
	Online  bool    `json:"online"`
	Since   *string `json:"since"`
	Heard   *string `json:"last_heard"`
	Acked   int64   `json:"acked"`
	Last    int64   `json:"last"`
	Lost    int64   `json:"lost"`
	Backlog int64   `json:"backlog"`
	Note    *string `json:"note"`
}

func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func (a *api) nowPlants(*http.Request) (any, error) {
	out := Now{Plants: []NowPlant{}}
	for _, p := range a.Live.Snapshot() {
		n := NowPlant{Name: p.Name, State: cmp.Or(p.State, "not known"), StateSince: stamp(p.StateSince), Steady: p.Steady,
			SteadySince: stamp(p.SteadySince), Headline: p.Headline, OreSource: text(p.OreSource), Lot: text(p.Lot),
			Alarms: []NowAlarm{}, Channels: []NowChannel{}, Nodes: []NowNode{}}
		for _, al := range p.Alarms {
			n.Alarms = append(n.Alarms, NowAlarm{al.Kind, text(al.Channel), al.Priority, stamp(al.Since), al.Cause, al.Detail, append([]string{}, al.Follows...)})
		}
		for _, c := range p.Channels {
			nc := NowChannel{Name: c.Name, Unit: c.Unit, Quality: c.Reading.Quality.String(), Reason: text(string(c.Reading.Reason)), At: stamp(c.At)}
			if c.Reading.Has {
				nc.Value = &c.Reading.Value
			}
			n.Channels = append(n.Channels, nc)
		}
		for _, d := range p.Nodes {
			n.Nodes = append(n.Nodes, nodeOf(d))
		}
		out.Plants = append(out.Plants, n)
	}
	return out, nil
}

func nodeOf(d live.Node) NowNode {
	return NowNode{d.ID, d.Online, stamp(d.Since), stamp(d.LastHeard), d.Acked, d.Last, d.Lost, d.Backlog(), text(d.Note())}
}

// plantOf finds the plant a request is about: the named one, or the only one.
func (a *api) plantOf(r *http.Request) (live.Plant, error) {
	name := r.URL.Query().Get("plant")
	all := a.Live.Snapshot()
	if name == "" && len(all) == 1 {
		return all[0], nil
	}
	var names []string
	for _, p := range all {
		if p.Name == name {
			return p, nil
		}
		names = append(names, strconv.Quote(p.Name))
	}
	if name == "" {
		return live.Plant{}, &Error{http.StatusBadRequest, "which plant is not said", "plant", "give plant=, one of " + strings.Join(names, ", ")}
	}
	return live.Plant{}, &Error{http.StatusNotFound, fmt.Sprintf("there is no plant %q", name), "plant", "give one of " + strings.Join(names, ", ")}
}

// Series is the answer of GET /api/v1/series. A point with n 0 and null values is a
// gap, which lasts until the next point.
type Series struct {
	Plant   string        `json:"plant"`
	Channel string        `json:"channel"`
	Unit    string        `json:"unit"`
	From    *string       `json:"from"`
	To      *string       `json:"to"`
	Points  []SeriesPoint `json:"points"`
}

type SeriesPoint struct {
	At      *string  `json:"at"`
	Mean    *float64 `json:"mean"`
	Min     *float64 `json:"min"`
	Max     *float64 `json:"max"`
	N       int      `json:"n"`
	Quality string   `json:"quality"`
}

const (
	pointsUsual = 600
	pointsMost  = 10000
)

func (a *api) series(r *http.Request) (any, error) {
	p, err := a.plantOf(r)
	if err != nil {
		return nil, err
	}
	q := r.URL.Query()
	i := slices.IndexFunc(p.Channels, func(c live.Channel) bool { return c.Name == q.Get("channel") })
	if i < 0 {
		return nil, &Error{http.StatusNotFound, fmt.Sprintf("plant %q has no channel %q", p.Name, q.Get("channel")), "channel", "give channel=, one of the names in /api/v1/now"}
	}
	to, err := timeParam(q.Get("to"), "to", a.Now())
	if err != nil {
		return nil, err
	}
	from, err := timeParam(q.Get("from"), "from", to.Add(-time.Hour))
	if err != nil {
		return nil, err
	}
	if !from.Before(to) {
		return nil, &Error{http.StatusBadRequest, "from is not before to", "from", "turn them round"}
	}
	points := pointsUsual
	if s := q.Get("points"); s != "" {
		if points, err = strconv.Atoi(s); err != nil || points < 2 || points > pointsMost {
			return nil, &Error{http.StatusBadRequest, fmt.Sprintf("%q is not a number of points", s), "points", "give 2 to 10000"}
		}
	}
	list, err := a.Store.Range(r.Context(), p.Name, p.Channels[i].Name, from, to, points)
	if err != nil {
		return nil, err
	}
	out := Series{p.Name, p.Channels[i].Name, p.Channels[i].Unit, stamp(from), stamp(to), make([]SeriesPoint, 0, len(list))}
	for i := range list {
		x := &list[i]
		sp := SeriesPoint{At: stamp(x.T), N: x.N, Quality: x.Quality.String()}
		if x.N > 0 {
			sp.Mean, sp.Min, sp.Max = &x.Mean, &x.Min, &x.Max
		}
		out.Points = append(out.Points, sp)
	}
	return out, nil
}

func timeParam(s, name string, absent time.Time) (time.Time, error) {
	if s == "" {
		return absent, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil || t.Year() < 1970 || t.Year() > 9999 {
		return t, &Error{http.StatusBadRequest, fmt.Sprintf("%q is not a time", s), name, "write it as 2026-01-05T07:00:00Z"}
	}
	return t.UTC(), nil
}

// list answers with what the ledger has of a plant.
func list[T any](a *api, r *http.Request, key string, get func(context.Context, string) ([]T, error)) (any, error) {
	p, err := a.plantOf(r)
	if err != nil {
		return nil, err
	}
	items, err := get(r.Context(), p.Name)
	if err != nil {
		return nil, err
	}
	if items == nil {
		items = []T{}
	}
	return map[string]any{"plant": p.Name, key: items}, nil
}

func (a *api) sources(r *http.Request) (any, error) {
	return list(a, r, "sources", a.Store.OreSources)
}
func (a *api) lots(r *http.Request) (any, error) { return list(a, r, "lots", a.Store.Lots) }
func (a *api) runs(r *http.Request) (any, error) {
	return list(a, r, "runs", func(ctx context.Context, plantName string) ([]runJSON, error) {
		runs, err := a.Store.Runs(ctx, plantName)
		out := make([]runJSON, 0, len(runs))
		for _, x := range runs {
			out = append(out, runJSON{x.ID, x.OreSource, text(x.Lot), text(x.Block), stamp(x.Start), stamp(x.End), x.Settings,
				x.Recovery, x.RecoverySE, x.ConcentrateGrade, x.GradeSE, string(x.Status), text(x.Due), text(x.SplitterRule),
				append([]string{}, x.ProductsCounted...), x.SampledKg, text(x.Note), x.Invented})
		}
		return out, err
	})
}

// runJSON has the names of the columns of runs.csv.
type runJSON struct {
	Run              string             `json:"run"`
	OreSource        string             `json:"ore_source"`
	Lot              *string            `json:"lot"`
	Block            *string            `json:"block"`
	Start            *string            `json:"start"`
	End              *string            `json:"end"`
	Settings         map[string]float64 `json:"settings"`
	Recovery         *float64           `json:"recovery"`
	RecoverySE       *float64           `json:"recovery_se"`
	ConcentrateGrade *float64           `json:"concentrate_grade"`
	GradeSE          *float64           `json:"concentrate_grade_se"`
	Status           string             `json:"status"`
	Due              *string            `json:"due"`
	SplitterRule     *string            `json:"splitter_rule"`
	ProductsCounted  []string           `json:"products_counted"`
	SampledKg        *float64           `json:"sampled_kg"`
	Note             *string            `json:"note"`
	Invented         bool               `json:"invented"`
}

func (a *api) advice(r *http.Request) (any, error) {
	p, err := a.plantOf(r)
	if err != nil {
		return nil, err
	}
	source := r.URL.Query().Get("source")
	if source == "" {
		return nil, &Error{http.StatusBadRequest, "which ore source is not said", "source", "give source=, one of /api/v1/sources"}
	}
	if a.Advise == nil {
		return nil, &Error{http.StatusNotImplemented, "advice is not set up on this server", "/api/v1/advice", "use decktrim advise with the plant file and runs.csv"}
	}
	sources, err := a.Store.OreSources(r.Context(), p.Name)
	if err != nil {
		return nil, err
	}
	known := slices.ContainsFunc(sources, func(s ledger.OreSource) bool { return s.Name == source })
	for _, s := range p.File.OreSources {
		known = known || s.Name == source
	}
	if !known {
		return nil, &Error{http.StatusNotFound, fmt.Sprintf("there is no ore source %q", source), "source", "give one of /api/v1/sources"}
	}
	return a.Advise(r.Context(), p.Name, source)
}

// System is the answer of GET /api/v1/system.
type System struct {
	Version       string       `json:"version"`
	UptimeSeconds int64        `json:"uptime_s"`
	ReadingsBytes int64        `json:"readings_bytes"`
	LedgerBytes   int64        `json:"ledger_bytes"`
	FreeBytes     int64        `json:"free_bytes"`
	Nodes         []SystemNode `json:"nodes"`
}

type SystemNode struct {
	NowNode
	Stream   *string `json:"stream"`
	Oldest   int64   `json:"oldest"`
	ClockSet bool    `json:"clock_set"`
	ClockOff float64 `json:"clock_off_s"`
}

func (a *api) system(r *http.Request) (any, error) {
	st, err := a.Store.Stats(r.Context())
	if err != nil {
		return nil, err
	}
	out := System{a.Version, int64(time.Since(a.Started).Seconds()), st.ReadingsBytes, st.LedgerBytes, st.FreeBytes, []SystemNode{}}
	for _, n := range a.Live.Nodes() {
		out.Nodes = append(out.Nodes, SystemNode{nodeOf(n), text(n.Stream), n.Oldest, n.ClockSet, n.ClockOff.Seconds()})
	}
	return out, nil
}
