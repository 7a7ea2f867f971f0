package web

import (
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"
)

const (
	beatEvery  = 2 * time.Second  // real time; the page calls itself old when two are missing
	writeLimit = 10 * time.Second // for one event to a slow reader
)

// events is the live part of a page as server-sent events: "beat" says that the
// page is live and how old the figures are, "part" brings parts of Now that have
// changed, "say" what a reader without sight should hear.
func (s *site) events(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		http.Error(w, readPrefs(r).lang.Say("app.no_plant"), http.StatusNotFound)
		return
	}
	page, stage := r.FormValue("page"), r.FormValue("stage")
	rc := http.NewResponseController(w)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	var out io.Writer = w
	flush := func() error { return rc.Flush() }
	if accepts(r) {
		// One compressed stream: what repeats from event to event costs next to nothing.
		h.Set("Content-Encoding", "gzip")
		z := gzip.NewWriter(w)
		defer z.Close()
		out, flush = z, func() error {
			if err := z.Flush(); err != nil {
				return err
			}
			return rc.Flush()
		}
	}
	changed := s.Live.Subscribe(r.Context())
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	sent := map[string]string{}
	said := ""
	dirty := true
	if _, err := io.WriteString(out, "retry: 1000\n\n"); err != nil {
		return
	}
	for {
		c = s.choose(r)
		if !c.ok {
			return
		}
		b := s.base(r, "now", c)
		b.Self = b.url("/" + page)
		if dirty && page == "now" {
			parts, say, err := s.liveParts(r, b, c.here, stage)
			if err != nil {
				s.Log.Error("live parts could not be made", "err", err)
			}
			for id, html := range parts {
				if sent[id] == html {
					delete(parts, id)
				} else {
					sent[id] = html
				}
			}
			if len(parts) > 0 {
				if err := event(rc, out, "part", parts); err != nil {
					return
				}
			}
			if say.Key != said {
				if said != "" {
					if err := event(rc, out, "say", say); err != nil {
						return
					}
				}
				said = say.Key
			}
		}
		dirty = false
		if err := event(rc, out, "beat", beatOf(b)); err != nil {
			return
		}
		if err := flush(); err != nil {
			return
		}
		// Changes between two beats share the next one: figures that change
		// faster than every 2 s cannot be read.
		for waiting := true; waiting; {
			select {
			case <-r.Context().Done():
				return
			case _, ok := <-changed:
				if !ok {
					return
				}
				dirty = true
			case <-beat.C:
				waiting = false
			}
		}
		dirty = true // ages move on even when no reading comes
	}
}

// event writes one event; a reader that takes none of it for 10 s is let go.
func event(rc *http.ResponseController, out io.Writer, name string, data any) error {
	_ = rc.SetWriteDeadline(time.Now().Add(writeLimit)) // not every writer has deadlines; then the server's own limit holds
	body, err := json.Marshal(data)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "event: %s\ndata: %s\n\n", name, body)
	return err
}

type beatData struct {
	Word string `json:"word"`
	Time string `json:"time"` // clock of what is shown
	Old  bool   `json:"old"`  // the plant sends nothing, though the server does
}

func beatOf(b base) beatData {
	d := beatData{Word: b.T("app.live"), Time: b.Status.Time, Old: b.Status.Old}
	if d.Old {
		d.Word = b.Status.Word
	}
	return d
}

type sayData struct {
	Key  string `json:"key"`
	Text string `json:"text"`
	Act  bool   `json:"act"`
}

// liveParts are the parts of Now by the id of their element.
func (s *site) liveParts(r *http.Request, b base, p PlantNow, stage string) (map[string]string, sayData, error) {
	page := s.nowPage(r.Context(), b, p, stage)
	parts := map[string]string{}
	for _, part := range []string{"head", "alarms", "stages", "bars"} {
		html, err := s.fragment("now", part, page)
		if err != nil {
			return nil, sayData{}, err
		}
		parts[part] = html
	}
	// What is read out must not change with every minute that passes: the key is
	// the state and the alarms, the text the headline of that moment.
	say := sayData{Key: fmt.Sprint(p.State, p.Steady, page.Status.Old), Text: page.Headline}
	for _, a := range p.Alarms {
		say.Key += "|" + a.Kind + a.Channel + a.Priority
		if a.Priority == markAct {
			say.Act = true
		}
	}
	return parts, say, nil
}
