package web

import (
	"net/http"
	"net/url"
	"strings"

	"decktrim/internal/units"
	"decktrim/server/words"
)

// prefs is how a person wants to see the screens. They live in cookies, because
// they belong to the device as much as to the person.
type prefs struct {
	lang  words.Lang
	units units.System
	theme string // "" (as the device says) or "sun"
}

const (
	cookieLang  = "lang"
	cookieUnits = "units"
	cookieTheme = "theme"
	themeSun    = "sun"
	keepPrefs   = 400 * 24 * 60 * 60 // s; the longest that browsers keep a cookie
)

func readPrefs(r *http.Request) prefs {
	value := func(name string) string {
		c, err := r.Cookie(name)
		if err != nil {
			return ""
		}
		return c.Value
	}
	p := prefs{lang: words.Pick(value(cookieLang), r.Header.Get("Accept-Language"))}
	if sys, err := units.ParseSystem(value(cookieUnits)); err == nil {
		p.units = sys
	}
	if value(cookieTheme) == themeSun {
		p.theme = themeSun
	}
	return p
}

// savePrefs keeps what the form says and goes back to the page it came from.
func (s *site) savePrefs(w http.ResponseWriter, r *http.Request) {
	keep := func(name, value string) {
		http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: keepPrefs,
			HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: r.TLS != nil})
	}
	if err := parseForm(w, r); err != nil {
		s.problem(w, r, http.StatusBadRequest, "app.error_title", "app.error_text")
		return
	}
	if l := words.Lang(r.PostForm.Get(cookieLang)); l == words.English || l == words.Spanish {
		keep(cookieLang, string(l))
	}
	if sys, err := units.ParseSystem(r.PostForm.Get(cookieUnits)); err == nil {
		keep(cookieUnits, sys.String())
	}
	switch r.PostForm.Get(cookieTheme) {
	case themeSun:
		keep(cookieTheme, themeSun)
	case "auto":
		keep(cookieTheme, "auto")
	}
	http.Redirect(w, r, localPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// parseForm reads a form of at most 64 KiB.
func parseForm(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	return r.ParseForm()
}

// localPath is a path of this site, or Now: a form must not send anybody away.
func localPath(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil ||
		!strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.ContainsRune(back, '\\') {
		return "/now"
	}
	return u.RequestURI()
}
