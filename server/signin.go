package server

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"decktrim/server/api"
)

// Sign-in with one access token: 256 random bits in a file of the data folder that
// only its owner can read. A program gives it as a bearer token, a person types it
// once and gets a session cookie. People with roles of their own come later.

const (
	tokenFile    = "access-token"
	sessionIdle  = 12 * time.Hour
	sessionMost  = 30 * 24 * time.Hour
	sessionCount = 1000
	triesFree    = 5 // wrong tokens from one address before it must wait
	triesMost    = 15 * time.Minute
	cookieName   = "decktrim_session"
)

type signIn struct {
	open     bool // demo on loopback
	auto     bool // a program on this machine may read some addresses
	secure   bool // TLS
	token    [32]byte
	log      *slog.Logger
	now      func() time.Time
	mu       sync.Mutex
	sessions map[[32]byte]session // by the hash of the cookie
	tries    map[string]attempts  // by address
}

type session struct{ began, used time.Time }

type attempts struct {
	n    int
	next time.Time
}

// newSignIn reads the access token, or makes it at the first start.
func newSignIn(dir string, log *slog.Logger) (*signIn, error) {
	s := &signIn{log: log, now: time.Now, sessions: map[[32]byte]session{}, tries: map[string]attempts{}}
	path := filepath.Join(dir, tokenFile)
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		text = []byte(rand.Text() + rand.Text()) // 260 bits
		if err := writeToken(path, text); err != nil {
			return nil, fmt.Errorf("the access token cannot be written: %w", err)
		}
		log.Info("access token made: read it there to sign in", "file", path)
	case err != nil:
		return nil, fmt.Errorf("the access token cannot be read: %w", err)
	default:
		info, err := os.Stat(path)
		if err != nil {
			return nil, err
		}
		if info.Mode().Perm()&0o077 != 0 {
			return nil, fmt.Errorf("%s can be read by others; run chmod 600 on it, or delete it for a new one", path)
		}
	}
	trimmed := strings.TrimSpace(string(text))
	if len(trimmed) < 32 {
		return nil, fmt.Errorf("%s holds fewer than 32 characters; delete it for a new token", path)
	}
	s.token = sha256.Sum256([]byte(trimmed))
	return s, nil
}

func writeToken(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}

func (s *signIn) right(token string) bool {
	given := sha256.Sum256([]byte(strings.TrimSpace(token)))
	return subtle.ConstantTimeCompare(given[:], s.token[:]) == 1
}

// who is the role of whoever sent a request; empty: not signed in.
func (s *signIn) who(r *http.Request) string {
	if s.open {
		return "visitor"
	}
	if token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok && s.right(token) {
		return "holder of the access token"
	}
	c, err := r.Cookie(s.cookie())
	if err != nil {
		return ""
	}
	key := sha256.Sum256([]byte(c.Value))
	s.mu.Lock()
	defer s.mu.Unlock()
	was, ok := s.sessions[key]
	now := s.now()
	if !ok || now.Sub(was.used) > sessionIdle || now.Sub(was.began) > sessionMost {
		delete(s.sessions, key)
		return ""
	}
	was.used = now
	s.sessions[key] = was
	return "holder of the access token"
}

func (s *signIn) cookie() string {
	if s.secure {
		return "__Host-" + cookieName
	}
	return cookieName
}

// freely lists what a program on the same machine may read with sign_in = "auto".
var freely = map[string]bool{"/api/v1/now": true, "/api/v1/series": true, "/api/openapi.json": true, "/metrics": true}

// fromHere reports whether a request was made on this machine and not passed on by
// a proxy, nor by a page of another site that a browser here was lured to.
func fromHere(r *http.Request) bool {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsLoopback() {
		return false
	}
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	name := r.Host
	if h, _, err := net.SplitHostPort(name); err == nil {
		name = h
	}
	ip := net.ParseIP(strings.Trim(name, "[]"))
	return name == "localhost" || ip != nil && ip.IsLoopback()
}

// guard lets through who is signed in, and sends the others to sign in.
func (s *signIn) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reading := r.Method == http.MethodGet || r.Method == http.MethodHead
		if s.auto && reading && freely[r.URL.Path] && fromHere(r) || s.who(r) != "" {
			next.ServeHTTP(w, r)
			return
		}
		if !reading || r.URL.Path == "/metrics" || strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/events" {
			w.Header().Set("WWW-Authenticate", "Bearer")
			api.WriteError(w, r, &api.Error{Status: http.StatusUnauthorized, What: "you are not signed in", Where: r.URL.Path,
				Do: "send the access token of the data folder as Authorization: Bearer, or sign in at /sign-in"})
			return
		}
		http.Redirect(w, r, "/sign-in?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
	})
}

var signInPage = template.Must(template.New("sign-in").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sign in - decktrim</title></head>
<body><main><h1>Sign in</h1>
{{with .Wrong}}<p role="alert">{{.}}</p>{{end}}
<form method="post" action="/sign-in"><input type="hidden" name="to" value="{{.To}}">
<p><label>Access token<br><input type="password" name="token" required autocomplete="current-password" size="40"></label></p>
<p><button>Sign in</button></p></form>
<p>The token stands in the file access-token of the server's data folder.</p>
</main></body></html>
`))

func (s *signIn) page(w http.ResponseWriter, status int, to, wrong string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if err := signInPage.Execute(w, struct{ To, Wrong string }{local(to), wrong}); err != nil {
		s.log.Debug("sign-in page not sent", "error", err)
	}
}

// local keeps a way back within this site.
func local(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return to
}

func (s *signIn) handle(mux *http.ServeMux) {
	mux.HandleFunc("GET /sign-in", func(w http.ResponseWriter, r *http.Request) {
		s.page(w, http.StatusOK, r.URL.Query().Get("to"), "")
	})
	mux.HandleFunc("POST /sign-in", s.enter)
	mux.HandleFunc("POST /sign-out", func(w http.ResponseWriter, r *http.Request) {
		if c, err := r.Cookie(s.cookie()); err == nil {
			s.mu.Lock()
			delete(s.sessions, sha256.Sum256([]byte(c.Value)))
			s.mu.Unlock()
		}
		http.SetCookie(w, s.newCookie("", -1))
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	})
}

func (s *signIn) newCookie(value string, maxAge int) *http.Cookie {
	return &http.Cookie{Name: s.cookie(), Value: value, Path: "/", HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode, MaxAge: maxAge}
}

func (s *signIn) enter(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 4096)
	to := r.PostFormValue("to")
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		from = r.RemoteAddr
	}
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if t := s.tries[from]; now.Before(t.next) {
		s.page(w, http.StatusTooManyRequests, to, fmt.Sprintf("Too many wrong tokens. Try again in %d s.", int(t.next.Sub(now).Seconds())+1))
		return
	}
	if !s.right(r.PostFormValue("token")) {
		t := s.tries[from]
		t.n++
		if t.n > triesFree {
			t.next = now.Add(min(time.Second<<min(t.n-triesFree-1, 20), triesMost))
		}
		if len(s.tries) > sessionCount {
			clear(s.tries)
		}
		s.tries[from] = t
		s.log.Warn("sign-in refused", "from", from, "tries", t.n)
		s.page(w, http.StatusUnauthorized, to, "That is not the access token.")
		return
	}
	delete(s.tries, from)
	if len(s.sessions) >= sessionCount {
		clear(s.sessions) // everybody signs in again; nobody has a thousand browsers
	}
	value := rand.Text() + rand.Text() // 260 bits
	s.sessions[sha256.Sum256([]byte(value))] = session{now, now}
	http.SetCookie(w, s.newCookie(value, int(sessionMost.Seconds())))
	http.Redirect(w, r, local(to), http.StatusSeeOther)
}
