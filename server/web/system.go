package web

import (
	"net/http"
	"runtime"
	"strconv"
	"strings"
	"time"
)

type systemPage struct {
	base
	Nodes    []nodeRow
	Stores   tableView
	Versions []factView
	First    string
	Unread   string
}

type nodeRow struct {
	ID, Touch, Mark, Seen, Acked, Backlog, Lost, Clock, Stream, Note string
}

func (s *site) system(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	b := s.base(r, "system", c)
	page := systemPage{base: b, Versions: []factView{{"decktrim", dash(s.Version)}, {"Go", runtime.Version()}}}
	if s.System == nil {
		page.Headline, page.Unread = b.T("sys.headline.unknown"), b.T("app.part_unreadable")
		s.render(w, r, http.StatusOK, "system", page)
		return
	}
	v, err := s.System.Health(r.Context())
	if err != nil {
		s.Log.Error("the state of the system could not be read", "err", err)
		page.Headline, page.Unread = b.T("sys.headline.unknown"), b.T("app.part_unreadable")
		s.render(w, r, http.StatusOK, "system", page)
		return
	}
	page.Headline = b.systemHeadline(v)
	if len(v.Nodes) == 0 {
		page.First = b.T("sys.first")
	}
	for _, n := range v.Nodes {
		row := nodeRow{ID: n.ID, Touch: b.T("app.yes"), Seen: b.L.When(n.LastSeen, b.now, b.zone), Acked: count(n.Acked), Backlog: count(n.Backlog()), Lost: count(n.Lost), Stream: shortStream(n.Stream)}
		if !n.Online {
			row.Touch, row.Mark = b.T("app.no"), markLook
		}
		if n.Twin {
			row.Mark, row.Note = markLook, b.T("sys.twin")
		}
		switch {
		case !n.ClockSet:
			row.Clock = b.T("sys.clock_unset")
		case n.ClockOff.Abs() >= 2*time.Second:
			row.Clock = b.T("sys.clock_off", "off", signed(n.ClockOff, b.L.Duration(n.ClockOff.Abs())))
		default:
			row.Clock = b.T("sys.clock_ok")
		}
		page.Nodes = append(page.Nodes, row)
	}
	page.Stores = tableView{Caption: b.T("sys.stores"), Head: []string{b.T("sys.store"), b.T("sys.size"), b.T("sys.readings"), b.T("sys.free")}}
	for _, st := range v.Stores {
		page.Stores.Rows = append(page.Stores.Rows, []string{st.Name, bytesText(st.Bytes), count(st.Readings), bytesText(st.FreeDisk)})
	}
	for _, p := range v.Parts {
		if p.Name == "decktrim" {
			continue // this program, already there
		}
		page.Versions = append(page.Versions, factView{p.Name, p.Version})
	}
	if v.Uptime > 0 {
		page.Versions = append(page.Versions, factView{b.T("sys.uptime"), b.L.Duration(v.Uptime)})
	}
	backup := b.T("sys.nobackup")
	if !v.Backup.IsZero() {
		backup = b.L.When(v.Backup, b.now, b.zone)
	}
	page.Versions = append(page.Versions, factView{b.T("sys.backup"), backup})
	if !v.BackupFailed.IsZero() {
		page.Versions = append(page.Versions, factView{b.T("sys.backup_failed"), b.L.When(v.BackupFailed, b.now, b.zone) + ": " + v.BackupWhy})
	}
	s.render(w, r, http.StatusOK, "system", page)
}

func (b base) systemHeadline(v SystemView) string {
	var silent []string
	backlog := int64(0)
	for _, n := range v.Nodes {
		if !n.Online {
			silent = append(silent, n.ID)
		}
		backlog += max(n.Backlog(), 0)
	}
	n := strconv.Itoa(len(v.Nodes))
	// A frame or two are always on their way.
	const underWay = 5
	switch {
	case len(v.Nodes) == 0:
		return b.T("sys.headline.none")
	case len(silent) > 0:
		return b.T("sys.headline.silent", "silent", strconv.Itoa(len(silent)), "n", n, "names", b.L.List(silent))
	case backlog > underWay*int64(len(v.Nodes)):
		return b.T("sys.headline.backlog", "n", n, "frames", count(backlog))
	case len(v.Nodes) == 1:
		return b.T("sys.headline.single")
	}
	return b.T("sys.headline.well", "n", n)
}

// count writes a whole number in groups of three; a negative one is not known.
func count(n int64) string {
	if n < 0 {
		return dash("")
	}
	s := strconv.FormatInt(n, 10)
	var groups []string
	for len(s) > 3 {
		groups = append([]string{s[len(s)-3:]}, groups...)
		s = s[:len(s)-3]
	}
	return strings.Join(append([]string{s}, groups...), "\u202f") // narrow space: a point or comma would mean two things
}

func bytesText(n int64) string {
	if n < 0 {
		return dash("")
	}
	v, unit := float64(n), "B"
	for _, u := range []string{"kB", "MB", "GB", "TB"} {
		if v < 1000 {
			break
		}
		v, unit = v/1000, u
	}
	return plain(v, 3) + " " + unit
}

func signed(d time.Duration, text string) string {
	if d < 0 {
		return "−" + text
	}
	return "+" + text
}

// shortStream is enough of a stream's UUID to tell two apart.
func shortStream(s string) string {
	if len(s) > 8 {
		return s[:8]
	}
	return dash(s)
}

type morePage struct {
	base
	Invites []link
}

func (s *site) more(w http.ResponseWriter, r *http.Request) {
	b := s.base(r, "more", s.choose(r))
	b.Headline = b.T("more.headline")
	s.render(w, r, http.StatusOK, "more", morePage{base: b, Invites: b.Nav})
}
