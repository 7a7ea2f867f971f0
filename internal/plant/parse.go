package plant

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/tomlfile"
	"decktrim/internal/units"
)

// Parse reads and checks a plant file. The name stands in errors only. What is
// absent stays absent (a file with only [plant], [[setting]] and [objective] is
// enough for advice, one with only [plant] and [[channel]] for the watch); what is
// there must be right. Errors are *tomlfile.Error with file, line and column.
func Parse(name string, data []byte) (*Plant, error) {
	p := &Plant{File: name}
	f, err := tomlfile.Decode(name, data, p)
	if err != nil {
		return nil, err
	}
	for _, check := range []func(*tomlfile.File) error{
		p.checkIdentity, p.checkSettings, p.checkObjective, p.checkSources, p.checkChannels, p.checkFacts,
	} {
		if err := check(f); err != nil {
			return nil, err
		}
	}
	return p, nil
}

func (p *Plant) checkIdentity(f *tomlfile.File) error {
	if !f.Has("plant") {
		return f.Errorf("", "there is no [plant] table; a plant file begins with [plant] and name = \"...\"")
	}
	if strings.TrimSpace(p.Plant.Name) == "" {
		return f.Errorf("plant.name", "the plant has no name; give name = \"...\" under [plant]")
	}
	zone := p.Plant.Timezone
	if zone == "" {
		zone = "UTC"
	}
	if zone == "Local" {
		return f.Errorf("plant.timezone", "timezone %q means another place on every machine; give an IANA name such as \"America/Boise\"", zone)
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return f.Errorf("plant.timezone", "timezone %q is not known; give an IANA name such as \"America/Boise\"", zone)
	}
	p.Location = loc
	for i, s := range p.Plant.Shifts {
		if _, err := time.Parse("15:04", s); err != nil {
			return f.Errorf("plant.shifts", "shift start %q is not a time; write it as \"06:00\"", s)
		}
		if slices.Contains(p.Plant.Shifts[:i], s) {
			return f.Errorf("plant.shifts", "shift start %q stands twice; name each start once", s)
		}
	}
	return nil
}

// number is a named figure of the file with what it may be.
type number struct {
	path     string
	value    float64
	positive bool // must be above zero; otherwise zero or above
	atMost   float64
}

func checkNumbers(f *tomlfile.File, numbers ...number) error {
	for _, n := range numbers {
		if !f.Has(n.path) {
			continue
		}
		switch {
		case math.IsNaN(n.value) || math.IsInf(n.value, 0):
			return f.Errorf(n.path, "%s is not a finite number; give a figure", n.path)
		case n.positive && n.value <= 0:
			return f.Errorf(n.path, "%s is %g; it must be above 0", n.path, n.value)
		case n.value < 0:
			return f.Errorf(n.path, "%s is %g; it must not be negative", n.path, n.value)
		case n.atMost > 0 && n.value > n.atMost:
			return f.Errorf(n.path, "%s is %g; it must be at most %g", n.path, n.value, n.atMost)
		}
	}
	return nil
}

func (p *Plant) checkSettings(f *tomlfile.File) error {
	for i := range p.Settings {
		s := &p.Settings[i]
		at := func(key string) string { return "setting." + strconv.Itoa(i) + "." + key }
		if !validName(s.Name) {
			return f.Errorf(at("name"), "setting %d needs a name of small letters, digits and _ (it is also a column of runs.csv); it has %q", i+1, s.Name)
		}
		for _, other := range p.Settings[:i] {
			if other.Name == s.Name {
				return f.Errorf(at("name"), "setting %q stands twice; name each setting once", s.Name)
			}
		}
		if !units.Known(s.Unit) {
			return f.Errorf(at("unit"), "setting %q has unit %q, which is not known%s", s.Name, s.Unit, nearUnit(s.Unit))
		}
		for _, key := range []string{"min", "max"} {
			if !f.Has(at(key)) {
				return f.Errorf(at(key), "setting %q has no %s; advice never leaves min to max, so both must be given", s.Name, key)
			}
		}
		for key, v := range map[string]float64{"min": s.Min, "max": s.Max, "max_move": s.MaxMove, "resolution": s.Resolution} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return f.Errorf(at(key), "setting %q: %s is not a finite number", s.Name, key)
			}
		}
		if s.Max <= s.Min {
			return f.Errorf(at("max"), "setting %q: max %g is not above min %g; turn them round or correct one", s.Name, s.Max, s.Min)
		}
		if err := checkNumbers(f, number{path: at("max_move"), value: s.MaxMove, positive: true},
			number{path: at("resolution"), value: s.Resolution, positive: true}); err != nil {
			return err
		}
		if s.MaxMoveTest != nil {
			if err := checkNumbers(f, number{path: at("max_move_test"), value: *s.MaxMoveTest, positive: true}); err != nil {
				return err
			}
		}
		if s.Resolution > s.Max-s.Min {
			return f.Errorf(at("resolution"), "setting %q: resolution %g is larger than max less min (%g)", s.Name, s.Resolution, s.Max-s.Min)
		}
		if !f.Has(at("max_move")) {
			// A file that is silent must not let advice leap over the whole range: a tenth
			// of it at once (our judgement), or one step where that is more.
			s.MaxMove = math.Max((s.Max-s.Min)/10, s.Resolution)
		}
		if s.Present != nil && (math.IsNaN(*s.Present) || math.IsInf(*s.Present, 0)) {
			return f.Errorf(at("present"), "setting %q: present is not a finite number", s.Name)
		}
	}
	return nil
}

// Objectives that advice can seek.
const (
	MaximiseRecovery             = "recovery"
	MaximiseConcentrateGrade     = "concentrate_grade"
	MaximiseSeparationEfficiency = "separation_efficiency"
	MaximiseValue                = "value"
)

// ProductNames are the streams that a table can give, richest first.
var ProductNames = []string{"concentrate_1", "concentrate_2", "middlings", "tailings"}

func (p *Plant) checkObjective(f *tomlfile.File) error {
	o := &p.Objective
	if o.Maximise == "" {
		o.Maximise = MaximiseRecovery
	}
	known := []string{MaximiseRecovery, MaximiseConcentrateGrade, MaximiseSeparationEfficiency, MaximiseValue}
	if !slices.Contains(known, o.Maximise) {
		return f.Errorf("objective.maximise", "maximise = %q is not known; use one of %s", o.Maximise, strings.Join(known, ", "))
	}
	if o.Maximise == MaximiseValue && p.Value == nil {
		return f.Errorf("objective.maximise", "maximise = \"value\" needs a [value] table with metal_price")
	}
	if len(o.ProductsCounted) == 0 {
		o.ProductsCounted = []string{"concentrate_1", "concentrate_2"}
	}
	for i, name := range o.ProductsCounted {
		if !slices.Contains(ProductNames[:3], name) && !slices.ContainsFunc(p.Products, func(q Product) bool { return q.Name == name }) {
			return f.Errorf("objective.products_counted", "product %q is not known; use %s or a [[product]] of this file", name, strings.Join(ProductNames[:3], ", "))
		}
		if slices.Contains(o.ProductsCounted[:i], name) {
			return f.Errorf("objective.products_counted", "product %q stands twice; count each product once", name)
		}
	}
	if o.GradeUnit == "" {
		o.GradeUnit = "g/t"
	}
	if !slices.Contains([]string{"g/t", "%", "oz/short ton"}, o.GradeUnit) {
		return f.Errorf("objective.grade_unit", "grade_unit %q is not known; use \"g/t\", \"%%\" or \"oz/short ton\"", o.GradeUnit)
	}
	if o.MaxSettingsChanged < 0 {
		return f.Errorf("objective.max_settings_changed", "max_settings_changed is %d; give 1 or more, or 0 for no limit", o.MaxSettingsChanged)
	}
	numbers := []number{
		{path: "objective.recovery_drop_tolerated", value: o.RecoveryDropTolerated, atMost: 100},
		{path: "objective.risk_tolerated", value: o.RiskTolerated, atMost: 1},
	}
	for _, opt := range []struct {
		key    string
		value  *float64
		atMost float64
	}{{"min_recovery", o.MinRecovery, 100}, {"min_concentrate_grade", o.MinConcentrateGrade, 0}, {"max_mass_pull", o.MaxMassPull, 1}} {
		if opt.value != nil {
			numbers = append(numbers, number{path: "objective." + opt.key, value: *opt.value, atMost: opt.atMost})
		}
	}
	// Common practice where the file is silent: two points of recovery and a chance
	// of one in twenty.
	if !f.Has("objective.recovery_drop_tolerated") {
		o.RecoveryDropTolerated = 2
	}
	if !f.Has("objective.risk_tolerated") {
		o.RiskTolerated = 0.05
	}
	return checkNumbers(f, numbers...)
}

func (p *Plant) checkSources(f *tomlfile.File) error {
	for i := range p.OreSources {
		s := &p.OreSources[i]
		at := func(key string) string { return "ore_source." + strconv.Itoa(i) + "." + key }
		if strings.TrimSpace(s.Name) == "" {
			return f.Errorf(at("name"), "ore source %d has no name; give name = \"...\"", i+1)
		}
		for _, other := range p.OreSources[:i] {
			if other.Name == s.Name {
				return f.Errorf(at("name"), "ore source %q stands twice; name each source once", s.Name)
			}
		}
		for key, v := range map[string]*float64{"min_concentrate_grade": s.MinConcentrateGrade, "tonnes_left": s.TonnesLeft, "head_grade": s.HeadGrade} {
			if v == nil {
				continue
			}
			if err := checkNumbers(f, number{path: at(key), value: *v}); err != nil {
				return err
			}
		}
	}
	if p.Value != nil {
		if p.Value.AssaysPerRun < 0 {
			return f.Errorf("value.assays_per_run", "assays_per_run is %d; it must not be negative", p.Value.AssaysPerRun)
		}
		return checkNumbers(f, number{path: "value.metal_price", value: p.Value.MetalPrice}, number{path: "value.assay_cost", value: p.Value.AssayCost})
	}
	return nil
}

func (p *Plant) checkChannels(f *tomlfile.File) error {
	roles := Roles()
	signals := []Signal{Loop420, Bridge, Pulse, CurrentTransformer, Bus, Computed, Typed}
	metrics := map[string]string{}
	for i := range p.Channels {
		c := &p.Channels[i]
		at := func(key string) string { return "channel." + strconv.Itoa(i) + "." + key }
		if !validName(c.Name) || c.Name == "time" {
			return f.Errorf(at("name"), "channel %d needs a name of small letters, digits and _, other than time (it is also a column of readings.csv); it has %q", i+1, c.Name)
		}
		if j := p.ChannelIndex(c.Name); j < i {
			return f.Errorf(at("name"), "channel %q stands twice; name each channel once", c.Name)
		}
		if c.Role == "" && slices.Contains(roles, Role(c.Name)) {
			c.Role = Role(c.Name)
		}
		if c.Role != "" && !slices.Contains(roles, c.Role) {
			text := fmt.Sprintf("channel %q has role %q, which is not known", c.Name, c.Role)
			if near, ok := tomlfile.Nearest(string(c.Role), roleNames(roles)); ok {
				text += fmt.Sprintf("; did you mean %q?", near)
			} else {
				text += "; leave role out for a channel that is only stored and shown"
			}
			return f.Errorf(at("role"), "%s", text)
		}
		if c.Unit == "" {
			return f.Errorf(at("unit"), "channel %q has no unit; give unit = \"...\" (\"1\" for a running contact)", c.Name)
		}
		if !units.Known(c.Unit) {
			return f.Errorf(at("unit"), "channel %q has unit %q, which is not known%s", c.Name, c.Unit, nearUnit(c.Unit))
		}
		if want := usualUnit[c.Role]; want != "" {
			if _, err := units.Convert(1, c.Unit, want); err != nil {
				return f.Errorf(at("unit"), "channel %q has role %s, which is measured in %s; %q is not a unit of that", c.Name, c.Role, want, c.Unit)
			}
		}
		if f.Has(at("range")) {
			lo, hi := c.Range[0], c.Range[1]
			if math.IsNaN(lo) || math.IsInf(lo, 0) || math.IsNaN(hi) || math.IsInf(hi, 0) || hi <= lo {
				return f.Errorf(at("range"), "channel %q: range [%g, %g] must rise from a finite low to a finite high", c.Name, lo, hi)
			}
		} else if c.Unit == "1" {
			c.Range = [2]float64{0, 1}
		} else {
			return f.Errorf(at("range"), "channel %q has no range; give the instrument's span, range = [low, high], in %s", c.Name, c.Unit)
		}
		if c.Signal == "" {
			c.Signal = Bus
		}
		if !slices.Contains(signals, c.Signal) {
			return f.Errorf(at("signal"), "channel %q has signal %q; use one of 4-20mA, bridge, pulse, current-transformer, bus, computed, typed", c.Name, c.Signal)
		}
		metric := c.MetricName()
		if other, twice := metrics[metric]; twice {
			return f.Errorf(at("metric"), "channels %q and %q have the same name on the wire, %q; give one of them its own metric = \"...\"", other, c.Name, metric)
		}
		metrics[metric] = c.Name
	}
	for i, c := range p.Channels {
		if err := p.checkSetpoint(f, i, c); err != nil {
			return err
		}
	}
	for i, s := range p.Stations {
		for _, name := range s.Channels {
			if p.ChannelIndex(name) < 0 {
				return f.Errorf("station."+strconv.Itoa(i)+".channels", "station %q names channel %q, which is not in this file", s.Name, name)
			}
		}
	}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		at := func(key string) string { return "alarm." + strconv.Itoa(i) + "." + key }
		if p.ChannelIndex(a.Channel) < 0 {
			return f.Errorf(at("channel"), "alarm %d is on channel %q, which is not in this file", i+1, a.Channel)
		}
		if a.Low == nil && a.High == nil {
			return f.Errorf(at("channel"), "alarm %d on %q has neither low nor high; give a limit in the channel's unit", i+1, a.Channel)
		}
		for _, side := range []struct {
			key  string
			set  bool
			high bool
		}{{"low", a.Low != nil, false}, {"high", a.High != nil, true}} {
			if role := p.Channels[p.ChannelIndex(a.Channel)].Role; side.set && LimitKind(role, side.high) == "" {
				return f.Errorf(at(side.key), "alarm %d: a %s limit on channel %q (role %q) would tell nothing that the watch knows; leave it out", i+1, side.key, a.Channel, role)
			}
		}
		if a.Low != nil && a.High != nil && *a.High <= *a.Low {
			return f.Errorf(at("high"), "alarm %d on %q: high %g is not above low %g", i+1, a.Channel, *a.High, *a.Low)
		}
		if a.Priority == "" {
			a.Priority = "look"
		}
		if !slices.Contains([]string{"act", "look", "note"}, a.Priority) {
			return f.Errorf(at("priority"), "alarm %d on %q has priority %q; use act, look or note", i+1, a.Channel, a.Priority)
		}
		if err := checkNumbers(f, number{path: at("deadband"), value: a.Deadband}, number{path: at("delay"), value: a.Delay}); err != nil {
			return err
		}
	}
	return nil
}

// checkSetpoint refuses a channel that is its own set-point and a name that is
// mistyped. The name of a role which no channel of the file has is let stand: a plant
// that does not record its set-point may still say what it would be called.
func (p *Plant) checkSetpoint(f *tomlfile.File, i int, c Channel) error {
	at := "channel." + strconv.Itoa(i) + ".setpoint"
	switch {
	case c.Setpoint == "" || (c.Setpoint != c.Name && p.ChannelIndex(c.Setpoint) >= 0):
		return nil
	case c.Setpoint == c.Name:
		return f.Errorf(at, "channel %q is its own setpoint; name the channel that says what it was set to", c.Name)
	case slices.Contains(Roles(), Role(c.Setpoint)) && p.channelOfRole(Role(c.Setpoint)) == "":
		return nil
	}
	text := fmt.Sprintf("channel %q has setpoint %q, which is no other channel of this file", c.Name, c.Setpoint)
	var names []string
	for _, other := range p.Channels {
		names = append(names, other.Name)
	}
	if role := p.channelOfRole(Role(c.Setpoint)); role != "" {
		text += fmt.Sprintf("; did you mean %q?", role)
	} else if near, ok := tomlfile.Nearest(c.Setpoint, names); ok {
		text += fmt.Sprintf("; did you mean %q?", near)
	}
	return f.Errorf(at, "%s", text)
}

func (p *Plant) channelOfRole(r Role) string {
	c, _ := p.ChannelByRole(r)
	return c.Name
}

func (p *Plant) checkFacts(f *tomlfile.File) error {
	if p.Bin.FilledBy != "" && !slices.Contains([]string{"jaw", "loader", "both"}, p.Bin.FilledBy) {
		return f.Errorf("bin.filled_by", "filled_by = %q is not known; use jaw, loader or both", p.Bin.FilledBy)
	}
	if p.Table.SplitterRule == "" {
		p.Table.SplitterRule = "fixed"
	}
	if !slices.Contains([]string{"fixed", "visible_line"}, p.Table.SplitterRule) {
		return f.Errorf("table.splitter_rule", "splitter_rule = %q is not known; use fixed or visible_line", p.Table.SplitterRule)
	}
	if p.Table.Decks < 0 || p.Table.Decks > 2 {
		return f.Errorf("table.decks", "decks = %d; one or two decks are known", p.Table.Decks)
	}
	if p.Table.Decks == 0 {
		p.Table.Decks = 1
	}
	if p.Mill.Drive != "" && p.Mill.Drive != "electric" && p.Mill.Drive != "engine" {
		return f.Errorf("mill.drive", "drive = %q is not known; use electric or engine", p.Mill.Drive)
	}
	if p.Mill.RatedCurrent > 0 && p.Mill.IdleCurrent >= p.Mill.RatedCurrent {
		return f.Errorf("mill.idle_current", "idle_current %g A is not below rated_current %g A", p.Mill.IdleCurrent, p.Mill.RatedCurrent)
	}
	numbers := []number{
		{path: "mill.nominal_feed", value: p.Mill.NominalFeed, positive: true},
		{path: "mill.idle_current", value: p.Mill.IdleCurrent, positive: true},
		{path: "mill.rated_current", value: p.Mill.RatedCurrent, positive: true},
		{path: "mill.voltage", value: p.Mill.Voltage, positive: true},
		{path: "mill.slot", value: p.Mill.Slot, positive: true},
		{path: "bin.capacity", value: p.Bin.Capacity, positive: true},
		{path: "bin.dump", value: p.Bin.Dump, positive: true},
		{path: "water.nominal_mill", value: p.Water.NominalMill, positive: true},
		{path: "water.nominal_wash", value: p.Water.NominalWash, positive: true},
		{path: "table.deck_area", value: p.Table.DeckArea, positive: true},
		{path: "watch.smallest_surge", value: p.Watch.SmallestSurge, positive: true, atMost: 10},
		{path: "watch.false_alarms_per_day", value: p.Watch.FalseAlarmsPerDay, positive: true},
		{path: "pond.freeboard", value: p.Pond.Freeboard, positive: true},
		{path: "pond.area", value: p.Pond.Area, positive: true},
		{path: "pond.volume", value: p.Pond.Volume, positive: true},
		{path: "sampling.tailings_kg", value: p.Sampling.TailingsKg, positive: true},
		{path: "sampling.preparation_rsd", value: p.Sampling.PreparationRSD, atMost: 1},
		{path: "sampling.assay_rsd", value: p.Sampling.AssayRSD, atMost: 1},
	}
	for i := range p.Products {
		q := &p.Products[i]
		at := func(key string) string { return "product." + strconv.Itoa(i) + "." + key }
		if !validName(q.Name) {
			return f.Errorf(at("name"), "product %d needs a name of small letters, digits and _; it has %q", i+1, q.Name)
		}
		if q.Bin == "" {
			q.Bin = "drained"
		}
		if q.Bin != "drained" && q.Bin != "under water" {
			return f.Errorf(at("bin"), "product %q has bin = %q; use \"drained\" or \"under water\"", q.Name, q.Bin)
		}
		numbers = append(numbers, number{path: at("capacity"), value: q.Capacity, positive: true})
	}
	if p.Watch.SmallestSurge == 0 {
		p.Watch.SmallestSurge = 0.15
	}
	if p.Watch.FalseAlarmsPerDay == 0 {
		p.Watch.FalseAlarmsPerDay = 0.2
	}
	return checkNumbers(f, numbers...)
}

// usualUnit is the unit a role is measured in; a channel may use any unit of the
// same dimension. Roles that are left out may have any unit (a drive in % or Hz).
var usualUnit = map[Role]string{
	FeedRate: "t/h", BeltLoad: "kg/m", BeltSpeed: "m/s", BinWeight: "kg",
	JawRunning: "1", JawCurrent: "A", JawBeltLoad: "t/h", MillCurrent: "A", MillVoltage: "V",
	MillWater: "L/min", MillWaterSetpoint: "L/min", WashWater: "L/min", WashWaterSetpoint: "L/min",
	LaunderWater: "L/min", TableRunning: "1", TableStrokeRate: "1/min", ClassifierRunning: "1", PumpRunning: "1",
	Concentrate1Weight: "kg", Concentrate2Weight: "kg", MiddlingsWeight: "kg",
	PondLevel: "m", ReturnFlow: "L/min", MakeupFlow: "L/min",
}

func validName(s string) bool {
	if s == "" || s[0] >= '0' && s[0] <= '9' {
		return false
	}
	for _, r := range s {
		if r != '_' && (r < 'a' || r > 'z') && (r < '0' || r > '9') {
			return false
		}
	}
	return true
}

func roleNames(roles []Role) []string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = string(r)
	}
	return names
}

func nearUnit(unit string) string {
	if near, ok := tomlfile.Nearest(unit, units.All()); ok {
		return fmt.Sprintf("; did you mean %q?", near)
	}
	return "; known units: " + strings.Join(units.All(), ", ")
}
