package api

import (
	"fmt"
	"net/http"
	"strings"
)

// Health is what the health addresses ask. Each returns one line for each thing that
// is wrong; none: well.
type Health struct {
	Ready   func(r *http.Request) []string
	Started func() bool
}

// Handle adds /livez, /healthz, /readyz and /startupz to a mux. They say a status
// and no figures, so they need no sign-in. /livez depends on nothing: failing means
// restart me.
func (h Health) Handle(mux *http.ServeMux) {
	alive := func(w http.ResponseWriter, r *http.Request) { say(w, nil) }
	mux.HandleFunc("GET /livez", alive)
	mux.HandleFunc("GET /healthz", alive)
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) { say(w, h.Ready(r)) })
	mux.HandleFunc("GET /startupz", func(w http.ResponseWriter, r *http.Request) {
		if h.Started() {
			say(w, nil)
			return
		}
		say(w, []string{"starting"})
	})
}

func say(w http.ResponseWriter, wrong []string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if len(wrong) == 0 {
		fmt.Fprintln(w, "ok")
		return
	}
	w.WriteHeader(http.StatusServiceUnavailable)
	fmt.Fprintln(w, strings.Join(wrong, "\n"))
}
