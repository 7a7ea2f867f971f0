// Package web is the screens: server-rendered pages that can be read with scripts
// off, live parts by server-sent events, and the forms people answer with. Every
// text comes from package words, every drawing from package chart.
//
// Nothing here moves a machine: what a form says is written into the ledger, and
// a person sets the plant.
package web

import (
	"bytes"
	"compress/gzip"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"strings"
	"sync"

	"decktrim/server/words"
)

//go:embed templates/*.html
var templateFiles embed.FS

// pageNames are the pages, each with a template of the same name that fills the
// frame of layout.html.
var pageNames = []string{"now", "past", "try", "ore", "source", "system", "more", "problem"}

// site is the screens with all they need.
type site struct {
	Deps
	assets *assets
	pages  map[string]*template.Template
	tails  tailCache
}

// New builds the screens. The handler serves /, /now, /past, /try, /ore, /system,
// /more, /prefs, /events, /static/ and what belongs to them; anything else gets a
// page that says so.
func New(d Deps) (http.Handler, error) {
	if d.Live == nil || d.History == nil || d.Ledger == nil || d.Now == nil {
		return nil, errors.New("web: Live, History, Ledger and Now must be given")
	}
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	s := &site{Deps: d, pages: map[string]*template.Template{}, tails: tailCache{rows: map[string]tailRow{}}}
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return nil, fmt.Errorf("web: static files: %w", err)
	}
	for _, name := range pageNames {
		t, err := template.ParseFS(templateFiles, "templates/layout.html", "templates/parts.html", "templates/"+name+".html")
		if err != nil {
			return nil, fmt.Errorf("web: templates: %w", err)
		}
		s.pages[name] = t
	}

	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.home)
	mux.HandleFunc("GET /now", s.now)
	mux.HandleFunc("GET /now/trend", s.nowTrend)
	mux.HandleFunc("GET /now.csv", s.nowCSV)
	mux.HandleFunc("POST /now/note", s.note)
	mux.HandleFunc("GET /past", s.past)
	mux.HandleFunc("GET /past.csv", s.pastCSV)
	mux.HandleFunc("GET /past.svg", s.pastPicture)
	mux.HandleFunc("GET /try", s.try)
	mux.HandleFunc("GET /try.csv", s.tryCSV)
	mux.HandleFunc("POST /try/set", s.trySet)
	mux.HandleFunc("POST /try/not-now", s.tryDecline)
	mux.HandleFunc("GET /ore", s.ore)
	mux.HandleFunc("GET /ore.csv", s.oreCSV)
	mux.HandleFunc("GET /ore/{source}", s.source)
	mux.HandleFunc("GET /ore/{source}/runs.csv", s.sourceCSV)
	mux.HandleFunc("GET /system", s.system)
	mux.HandleFunc("GET /more", s.more)
	mux.HandleFunc("POST /prefs", s.savePrefs)
	mux.HandleFunc("GET /events", s.events)
	mux.HandleFunc("GET /static/{file}", s.assets.serve)
	mux.HandleFunc("/", s.missing)

	// Forms of other sites are refused by the browser's own word on where a
	// request comes from; a GET changes nothing, so only forms need it.
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.problem(w, r, http.StatusForbidden, "app.error_title", "app.foreign_form")
	}))
	return guard.Handler(secured(mux)), nil
}

// policy forbids everything that the screens do not need: no inline script or
// style, nothing from another host, no frame around us.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// render makes the whole page before its first byte is sent, so that a page is
// either right or an honest error.
func (s *site) render(w http.ResponseWriter, r *http.Request, status int, page string, data any) {
	var body bytes.Buffer
	if err := s.pages[page].ExecuteTemplate(&body, "layout", data); err != nil {
		s.Log.Error("a page could not be made", "page", page, "err", err)
		http.Error(w, readPrefs(r).lang.Say("app.error_text"), http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Add("Vary", "Accept-Language, Cookie")
	send(w, r, status, body.Bytes())
}

// fragment renders one named part.
func (s *site) fragment(page, part string, data any) (string, error) {
	var body bytes.Buffer
	if err := s.pages[page].ExecuteTemplate(&body, part, data); err != nil {
		return "", err
	}
	return body.String(), nil
}

var zippers = sync.Pool{New: func() any { return gzip.NewWriter(nil) }}

func accepts(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, params, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && strings.ReplaceAll(params, " ", "") != "q=0" {
			return true
		}
	}
	return false
}

// send writes a body, compressed if the browser takes it and it is worth it.
func send(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	if len(body) < 1024 || !accepts(r) {
		w.WriteHeader(status)
		w.Write(body) // an error means that the reader has gone
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	w.WriteHeader(status)
	z := zippers.Get().(*gzip.Writer)
	defer zippers.Put(z)
	z.Reset(w)
	z.Write(body)
	z.Close()
}

// problem shows a page with one sentence: what happened, what is safe, what to do.
func (s *site) problem(w http.ResponseWriter, r *http.Request, status int, title, text string) {
	b := s.base(r, "", plantChoice{})
	b.Title, b.Headline = b.T(title), b.T(text)
	s.render(w, r, status, "problem", struct{ base }{b})
}

func (s *site) missing(w http.ResponseWriter, r *http.Request) {
	s.problem(w, r, http.StatusNotFound, "app.missing_title", "app.missing_text")
}

// fail logs what went wrong and tells the person what is safe.
func (s *site) fail(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the reader has gone
	}
	s.Log.Error("a page could not be made", "path", r.URL.Path, "err", err)
	s.problem(w, r, http.StatusInternalServerError, "app.error_title", "app.error_text")
}

func (s *site) home(w http.ResponseWriter, r *http.Request) {
	target := "/now"
	if r.URL.RawQuery != "" {
		target += "?" + r.URL.RawQuery
	}
	http.Redirect(w, r, target, http.StatusSeeOther)
}

// who says who did something, in the plant's own words.
func (s *site) who(r *http.Request) string {
	if s.Who != nil {
		if name := s.Who(r); name != "" {
			return name
		}
	}
	return words.English.Say("app.by_nobody") // the ledger has one language
}
