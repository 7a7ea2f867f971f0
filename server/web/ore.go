package web

import (
	"cmp"
	"context"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/fit"
	"decktrim/internal/ledger"
	"decktrim/internal/runs"
	"decktrim/internal/units"
	"decktrim/server/chart"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

func pathEscape(s string) string { return url.PathEscape(s) }

// result is what the measured runs of one ore source gave, in percent.
type result struct {
	n          int
	mean       float64
	half       float64 // of the 95 % interval; only with known
	known      bool    // the interval is known
	least, top float64
}

// recovered is the mean recovery of runs with its 95 % interval from their
// scatter: mean +- t(0.975, n-1) s / sqrt(n) (Student 1908; any text-book).
// One run has no scatter, so no interval.
func recovered(list []runs.Run) result {
	var values []float64
	for _, r := range list {
		values = append(values, *r.Recovery)
	}
	res := result{n: len(values)}
	if res.n == 0 {
		return res
	}
	res.least, res.top = slices.Min(values), slices.Max(values)
	if res.n == 1 {
		res.mean = values[0]
		return res
	}
	mean, sd := stat.MeanStdDev(values, nil)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(res.n - 1)}.Quantile(0.975)
	res.mean, res.half, res.known = mean, t*sd/math.Sqrt(float64(res.n)), true
	return res
}

// low and high are the interval, kept within what a recovery can be.
func (r result) low() float64  { return max(r.mean-r.half, 0) }
func (r result) high() float64 { return min(r.mean+r.half, 100) }

func (b base) recoveryText(r result) string {
	switch {
	case r.n == 0:
		return b.T("ore.recovery_none")
	case !r.known:
		return b.T("ore.recovery_one", "mean", percent(r.mean))
	}
	return b.T("ore.recovery_text", "mean", percent(r.mean), "low", percent(r.low()), "high", percent(r.high()), "runs", b.L.Count("try.runs", r.n))
}

// oreView is one ore source with what is known of it.
type oreView struct {
	Name, URL, Character, Lots, Tonnes, Runs, Recovery, Waiting string
	OnBelt                                                      bool

	facts  ledger.OreSource
	lots   []ledger.Lot
	all    []ledger.Run
	chosen fit.Chosen
	result result
	dry    float64 // t
}

// ores gathers all ore sources, those with the most runs first.
func (s *site) ores(ctx context.Context, b base, p PlantNow) ([]oreView, error) {
	sources, err := s.Ledger.OreSources(ctx, b.PlantName)
	if err != nil {
		return nil, err
	}
	lots, err := s.Ledger.Lots(ctx, b.PlantName)
	if err != nil {
		return nil, err
	}
	all, err := s.Ledger.Runs(ctx, b.PlantName)
	if err != nil {
		return nil, err
	}
	index := map[string]int{}
	var out []oreView
	at := func(name string) *oreView {
		i, ok := index[name]
		if !ok {
			i = len(out)
			index[name] = i
			out = append(out, oreView{Name: name, URL: b.url("/ore/" + pathEscape(name)), OnBelt: name == p.OreSource})
		}
		return &out[i]
	}
	for _, o := range p.Plant.OreSources {
		at(o.Name).facts = ledger.OreSource{Name: o.Name, HeadGrade: o.HeadGrade, MinConcentrateGrade: o.MinConcentrateGrade, OwnerConsentsToTests: o.OwnerConsentsToTests, TonnesLeft: o.TonnesLeft}
	}
	for _, o := range sources {
		at(o.Name).facts = o
	}
	for _, l := range lots {
		v := at(l.OreSource)
		v.lots = append(v.lots, l)
		v.dry += l.WetTonnes * (1 - l.Moisture)
	}
	for _, r := range all {
		v := at(r.OreSource)
		v.all = append(v.all, r)
	}
	if p.OreSource != "" {
		at(p.OreSource)
	}
	plain := plainRuns(all)
	for i := range out {
		v := &out[i]
		v.chosen = fit.Choose(b.plant, plain, v.Name)
		v.result = recovered(v.chosen.Used)
		v.Character = v.facts.Character
		v.Lots = b.L.Count("ore.lots", len(v.lots))
		v.Tonnes = b.figure(v.dry, "t", 3)
		v.Runs = b.L.Count("try.runs", len(v.all))
		v.Recovery = b.recoveryText(v.result)
		if n := len(v.chosen.Waiting); n > 0 {
			v.Waiting = strconv.Itoa(n)
		}
	}
	slices.SortStableFunc(out, func(x, y oreView) int {
		return cmp.Or(cmp.Compare(y.result.mean, x.result.mean), strings.Compare(x.Name, y.Name))
	})
	return out, nil
}

type orePage struct {
	base
	Ores  []oreView
	Chart template.HTML
	Text  string
	CSV   string
}

func (s *site) ore(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	b := s.base(r, "ore", c)
	page := orePage{base: b}
	if !c.ok {
		page.Headline = b.T("app.no_plant")
		s.render(w, r, http.StatusOK, "ore", page)
		return
	}
	var err error
	if page.Ores, err = s.ores(r.Context(), b, c.here); err != nil {
		s.fail(w, r, err)
		return
	}
	page.CSV = b.url("/ore.csv")
	if len(page.Ores) == 0 {
		page.Headline = b.T("ore.headline.none")
		s.render(w, r, http.StatusOK, "ore", page)
		return
	}
	best := b.T("ore.best_none")
	if o := page.Ores[0]; o.result.n > 0 {
		best = b.T("ore.best", "name", o.Name, "recovery", o.Recovery)
	}
	page.Headline = b.L.Count("ore.headline", len(page.Ores), "best", best)
	var rows []chart.Dot
	var said []string
	for _, o := range page.Ores {
		if o.result.n == 0 {
			continue
		}
		mean, low, high := o.result.mean, o.result.low(), o.result.high()
		d := chart.Dot{Name: o.Name, Value: b.L.Count("try.runs", o.result.n), Mean: &mean}
		if o.result.known {
			d.Lower, d.Upper = &low, &high
		}
		rows = append(rows, d)
		said = append(said, o.Name+" "+o.Recovery)
	}
	if len(rows) > 0 {
		page.Text = b.T("ore.compare_text", "list", strings.Join(said, "; "))
		page.Chart = template.HTML(chart.Dots(page.Text, upper(b.T("q.recovery"))+", %", rows))
	}
	s.render(w, r, http.StatusOK, "ore", page)
}

func (s *site) oreCSV(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "ore", c)
	ores, err := s.ores(r.Context(), b, c.here)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rows := [][]string{{"ore_source", "lots", "dry_mass (t)", "runs", "runs_measured", "recovery_mean (%)", "recovery_lower_95 (%)", "recovery_upper_95 (%)"}}
	for _, o := range ores {
		row := []string{o.Name, strconv.Itoa(len(o.lots)), exact(o.dry), strconv.Itoa(len(o.all)), strconv.Itoa(o.result.n), "", "", ""}
		if o.result.n > 0 {
			row[5] = exact(o.result.mean)
		}
		if o.result.known {
			row[6], row[7] = exact(o.result.low()), exact(o.result.high())
		}
		rows = append(rows, row)
	}
	sendCSV(w, r, "ore.csv", rows)
}

type sourcePage struct {
	base
	Facts  []factView
	Lots   tableView
	Runs   tableView
	Chart  template.HTML
	Text   string
	Counts string
	TryURL string
	AllURL string
	CSV    string
}

type factView struct{ Name, Value string }

func (s *site) findOre(r *http.Request, b base, p PlantNow) (oreView, bool, error) {
	ores, err := s.ores(r.Context(), b, p)
	if err != nil {
		return oreView{}, false, err
	}
	for _, o := range ores {
		if o.Name == r.PathValue("source") {
			return o, true, nil
		}
	}
	return oreView{}, false, nil
}

func (s *site) source(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "source", c)
	o, ok, err := s.findOre(r, b, c.here)
	switch {
	case err != nil:
		s.fail(w, r, err)
		return
	case !ok:
		s.problem(w, r, http.StatusNotFound, "app.missing_title", "ore.missing")
		return
	}
	page := sourcePage{base: b, Counts: b.counts(), TryURL: b.url("/try", "source", o.Name), AllURL: b.url("/ore"),
		CSV: b.url("/ore/" + pathEscape(o.Name) + "/runs.csv")}
	page.Title = o.Name
	page.Headline = b.T("ore.source_headline", "name", o.Name, "lots", o.Lots, "tonnes", o.Tonnes, "products", b.products(), "recovery", o.Recovery)
	page.Facts = b.facts(o)
	page.Lots = tableView{Wordy: true, Caption: b.T("ore.lots"), Head: []string{b.T("ore.lot"), b.T("ore.received"), b.T("ore.wet"), b.T("ore.moisture"), b.T("ore.dry"), b.T("ore.head"), b.T("ore.state")}}
	for _, l := range o.lots {
		state := b.T("ore.open")
		if l.Closed {
			state = b.T("ore.closed")
		}
		page.Lots.Rows = append(page.Lots.Rows, []string{l.ID, b.L.At(l.Received, b.now, b.zone), b.figure(l.WetTonnes, "t", 3), percent(l.Moisture*100) + " %",
			b.figure(l.WetTonnes*(1-l.Moisture), "t", 3), b.withSE(l.HeadGrade, l.HeadSE, b.plant.Objective.GradeUnit), state})
	}
	page.Runs = b.runsTable(o)
	page.Chart, page.Text = b.runsChart(o)
	s.render(w, r, http.StatusOK, "source", page)
}

// products names what recovery counts.
func (b base) products() string {
	var names []string
	for _, p := range b.plant.Objective.ProductsCounted {
		names = append(names, b.L.Or("q."+p, p))
	}
	if len(names) == 0 {
		return b.T("app.not_known")
	}
	return b.L.List(names)
}

func (b base) facts(o oreView) []factView {
	var out []factView
	add := func(key, value string) {
		if value != "" {
			out = append(out, factView{b.T(key), value})
		}
	}
	grade := b.plant.Objective.GradeUnit
	number := func(v *float64, unit string) string {
		if v == nil {
			return ""
		}
		return b.figure(*v, unit, 3)
	}
	add("ore.character", o.facts.Character)
	add("ore.owner", o.facts.Owner)
	add("ore.head", number(o.facts.HeadGrade, grade))
	add("ore.min_grade", number(o.facts.MinConcentrateGrade, grade))
	add("ore.left", number(o.facts.TonnesLeft, "t"))
	if o.facts.OwnerConsentsToTests != nil {
		key := "app.no"
		if *o.facts.OwnerConsentsToTests {
			key = "app.yes"
		}
		add("ore.tests", b.T(key))
	}
	return out
}

// withSE writes a value with its standard error, or says that it is not known.
func (b base) withSE(v, se *float64, unit string) string {
	if v == nil {
		return b.T("app.not_known")
	}
	n, u := b.pair(*v, unit, 3)
	text := n
	if se != nil {
		e, _ := b.pair(*se, unit, 2)
		text += " ± " + e
	}
	return strings.TrimSpace(text + " " + u)
}

func (b base) runState(o oreView, r ledger.Run) string {
	switch {
	case r.Status == runs.Void:
		why := r.Note
		if why == "" {
			why = b.T("reason.")
		}
		return b.T("ore.void", "why", why)
	case slices.ContainsFunc(o.chosen.NotUsed, func(n fit.NotUsed) bool { return n.Run == r.ID }):
		return b.T("ore.not_counted")
	case r.Status == runs.Waiting && r.Due != "":
		return b.T("ore.waiting_due", "due", r.Due)
	case r.Status == runs.Waiting || r.Recovery == nil:
		return b.T("ore.waiting")
	}
	return b.T("ore.measured")
}

func (b base) runsTable(o oreView) tableView {
	t := tableView{Wordy: true, Caption: b.T("ore.runs"), Head: []string{b.T("ore.run"), b.T("ore.lot"), b.T("ore.start")}}
	for _, st := range b.plant.Settings {
		t.Head = append(t.Head, upper(b.settingName(st.Name)))
	}
	t.Head = append(t.Head, b.T("ore.recovery")+", % (± s.e.)", b.T("ore.grade"), b.T("ore.state"))
	for i := len(o.all) - 1; i >= 0; i-- {
		r := o.all[i]
		row := []string{r.ID, dash(r.Lot), dash("")}
		if !r.Start.IsZero() {
			row[2] = b.L.At(r.Start, b.now, b.zone)
		}
		for _, st := range b.plant.Settings {
			if v, ok := r.Settings[st.Name]; ok {
				row = append(row, b.setting(st, v))
			} else {
				row = append(row, units.Missing)
			}
		}
		recovery := units.Missing
		if r.Recovery != nil {
			recovery = percent(*r.Recovery)
			if r.RecoverySE != nil {
				recovery += " ± " + percent(*r.RecoverySE)
			} else {
				recovery += ", " + b.T("ore.se_not_known")
			}
		}
		grade := units.Missing
		if r.ConcentrateGrade != nil {
			grade = b.withSE(r.ConcentrateGrade, r.GradeSE, b.plant.Objective.GradeUnit)
		}
		t.Rows = append(t.Rows, append(row, recovery, grade, b.runState(o, r)))
	}
	return t
}

func dash(s string) string {
	if s == "" {
		return units.Missing
	}
	return s
}

const chartRuns = 20 // newest runs drawn; the table has them all

// runsChart draws each measured run with the 95 % interval of its own standard
// error (mean +- 1.96 s.e.: normal, since the s.e. is stated, not estimated here).
func (b base) runsChart(o oreView) (template.HTML, string) {
	var rows []chart.Dot
	for i := len(o.chosen.Used) - 1; i >= 0 && len(rows) < chartRuns; i-- {
		r := o.chosen.Used[i]
		var where []string
		for _, st := range b.plant.Settings {
			if v, ok := r.Settings[st.Name]; ok && len(where) < 2 {
				where = append(where, b.setting(st, v))
			}
		}
		d := chart.Dot{Name: b.T("ore.run") + " " + r.ID, Value: strings.Join(where, ", "), Mean: r.Recovery}
		if r.RecoverySE != nil {
			low, high := max(*r.Recovery-1.96**r.RecoverySE, 0), min(*r.Recovery+1.96**r.RecoverySE, 100)
			d.Lower, d.Upper = &low, &high
		}
		rows = append(rows, d)
	}
	if len(rows) == 0 {
		return "", ""
	}
	text := b.T("ore.runs_text", "n", strconv.Itoa(o.result.n), "low", percent(o.result.least), "high", percent(o.result.top))
	return template.HTML(chart.Dots(text, upper(b.T("q.recovery"))+", %", rows)), text
}

func (s *site) sourceCSV(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "source", c)
	o, ok, err := s.findOre(r, b, c.here)
	switch {
	case err != nil:
		s.fail(w, r, err)
		return
	case !ok:
		s.missing(w, r)
		return
	}
	grade := b.plant.Objective.GradeUnit
	head := []string{"run", "lot", "block", "start_utc"}
	for _, st := range b.plant.Settings {
		head = append(head, st.Name+" ("+st.Unit+")")
	}
	rows := [][]string{append(head, "recovery (%)", "recovery_se (points)", "concentrate_grade ("+grade+")", "concentrate_grade_se ("+grade+")", "status", "due", "note")}
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return exact(*v)
	}
	for _, x := range o.all {
		row := []string{x.ID, x.Lot, x.Block, ""}
		if !x.Start.IsZero() {
			row[3] = x.Start.UTC().Format(time.RFC3339)
		}
		for _, st := range b.plant.Settings {
			if v, ok := x.Settings[st.Name]; ok {
				row = append(row, exact(v))
			} else {
				row = append(row, "")
			}
		}
		rows = append(rows, append(row, number(x.Recovery), number(x.RecoverySE), number(x.ConcentrateGrade), number(x.GradeSE), string(x.Status), x.Due, x.Note))
	}
	sendCSV(w, r, "runs.csv", rows)
}
