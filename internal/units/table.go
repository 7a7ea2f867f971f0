// Package units is the one place where a figure changes its unit. Everything else
// computes in the stored units (t/h, L/min, g/t, um, kW, ...) and converts only at
// entry and display.
//
// A tonne (t) is 1,000 kg; the short ton (2,000 lb) and the long ton are always
// written out; the ounce of gold is the troy ounce (ozt). A bare "ton", "oz" or
// "gpm" is not a unit here: ParseEntry asks which one is meant.
package units

import "slices"

// Dimension says what a unit measures. Units convert only within one dimension.
type Dimension string

const (
	Fraction       Dimension = "fraction" // grades, per cent, contacts (0 or 1)
	Mass           Dimension = "mass"
	MassFlow       Dimension = "mass flow"
	LineLoad       Dimension = "mass per length"
	DeckLoad       Dimension = "mass flow per area"
	Volume         Dimension = "volume"
	VolumeFlow     Dimension = "volume flow"
	Density        Dimension = "density"
	Length         Dimension = "length"
	Area           Dimension = "area"
	Speed          Dimension = "speed"
	Acceleration   Dimension = "acceleration"
	Angle          Dimension = "angle"
	Time           Dimension = "time"
	Frequency      Dimension = "frequency"
	Current        Dimension = "current"
	Voltage        Dimension = "voltage"
	BridgeSignal   Dimension = "bridge signal"
	Resistance     Dimension = "resistance"
	Power          Dimension = "power"
	ApparentPower  Dimension = "apparent power"
	Energy         Dimension = "energy"
	SpecificEnergy Dimension = "energy per mass"
	Force          Dimension = "force"
	Pressure       Dimension = "pressure"
	Viscosity      Dimension = "viscosity"
	Temperature    Dimension = "temperature"
	Turbidity      Dimension = "turbidity"
)

// Exact by definition: the international pound and inch (1959), the troy ounce of
// 480 grains, the US gallon of 231 cubic inches, the imperial gallon, and standard
// gravity. Checked against UN-01 to UN-24 (GNU Units 2.22).
const (
	kgPerPound    = 0.45359237
	kgPerShortTon = 2000 * kgPerPound
	kgPerLongTon  = 2240 * kgPerPound
	kgPerGrain    = kgPerPound / 7000
	kgPerTroyOz   = 480 * kgPerGrain
	mPerInch      = 0.0254
	mPerFoot      = 12 * mPerInch
	m3PerGallonUS = 231 * mPerInch * mPerInch * mPerInch
	m3PerGallonUK = 0.00454609
	mPerS2Gravity = 9.80665
	wPerHP        = 550 * mPerFoot * kgPerPound * mPerS2Gravity // ft lbf/s
	paPerPSI      = kgPerPound * mPerS2Gravity / (mPerInch * mPerInch)
	degPerRadian  = 180 / 3.14159265358979323846264338327950288
)

// unit is one row of the table: value in the dimension's base = value*factor + offset.
type unit struct {
	symbol  string // as in plant files
	dim     Dimension
	factor  float64
	offset  float64
	shown   string   // on screens, where it differs from symbol
	us      string   // symbol shown to those who chose US customary; empty: the same
	ucum    string   // case-sensitive code for the wire, unitsofmeasure.org
	aliases []string // other spellings that mean exactly this
}

// table lists every unit. Bases are SI (kg, m, s, A, ...), the degree for angles
// and the kelvin for temperature; a fraction's base is 1.
var table = []unit{
	{symbol: "1", dim: Fraction, factor: 1, ucum: "1", aliases: []string{"-"}},
	{symbol: "%", dim: Fraction, factor: 1e-2, ucum: "%", aliases: []string{"pct", "percent"}},
	{symbol: "g/t", dim: Fraction, factor: 1e-6, us: "oz/short ton", ucum: "g/t", aliases: []string{"gpt", "mg/kg"}},
	{symbol: "ppm", dim: Fraction, factor: 1e-6, ucum: "[ppm]"},
	{symbol: "ppb", dim: Fraction, factor: 1e-9, ucum: "[ppb]", aliases: []string{"mg/t"}},
	{symbol: "oz/short ton", dim: Fraction, factor: kgPerTroyOz / kgPerShortTon, shown: "troy oz/short ton", us: "oz/short ton", ucum: "[oz_tr]/[ston_av]", aliases: []string{"ozt/short ton", "troy oz/short ton"}},
	{symbol: "oz/long ton", dim: Fraction, factor: kgPerTroyOz / kgPerLongTon, shown: "troy oz/long ton", ucum: "[oz_tr]/[lton_av]", aliases: []string{"ozt/long ton", "troy oz/long ton"}},
	{symbol: "ozt/t", dim: Fraction, factor: kgPerTroyOz / 1000, shown: "troy oz/t", us: "oz/short ton", ucum: "[oz_tr]/t", aliases: []string{"troy oz/t", "oz/t"}},

	{symbol: "t", dim: Mass, factor: 1000, us: "short ton", ucum: "t", aliases: []string{"tonne", "tonnes"}},
	{symbol: "kg", dim: Mass, factor: 1, us: "lb", ucum: "kg"},
	{symbol: "g", dim: Mass, factor: 1e-3, us: "ozt", ucum: "g"},
	{symbol: "mg", dim: Mass, factor: 1e-6, ucum: "mg"},
	{symbol: "ozt", dim: Mass, factor: kgPerTroyOz, shown: "troy oz", us: "ozt", ucum: "[oz_tr]", aliases: []string{"troy oz", "oz t"}},
	{symbol: "dwt", dim: Mass, factor: 24 * kgPerGrain, ucum: "[pwt_tr]", aliases: []string{"pennyweight"}},
	{symbol: "gr", dim: Mass, factor: kgPerGrain, shown: "grain", ucum: "[gr]", aliases: []string{"grain", "grains"}},
	{symbol: "assay ton", dim: Mass, factor: kgPerShortTon / kgPerTroyOz * 1e-6, ucum: "[ston_av]/[oz_tr].mg", aliases: []string{"AT"}},
	{symbol: "lb", dim: Mass, factor: kgPerPound, us: "lb", ucum: "[lb_av]", aliases: []string{"lbs", "pound", "pounds"}},
	{symbol: "oz av", dim: Mass, factor: kgPerPound / 16, shown: "oz (avoirdupois)", ucum: "[oz_av]", aliases: []string{"oz avoirdupois", "oz avdp"}},
	{symbol: "short ton", dim: Mass, factor: kgPerShortTon, us: "short ton", ucum: "[ston_av]", aliases: []string{"short tons"}},
	{symbol: "long ton", dim: Mass, factor: kgPerLongTon, ucum: "[lton_av]", aliases: []string{"long tons"}},

	{symbol: "t/h", dim: MassFlow, factor: 1000.0 / 3600, us: "short ton/h", ucum: "t/h", aliases: []string{"tph"}},
	{symbol: "t/d", dim: MassFlow, factor: 1000.0 / 86400, us: "short ton/d", ucum: "t/d"},
	{symbol: "kg/h", dim: MassFlow, factor: 1.0 / 3600, us: "lb/h", ucum: "kg/h"},
	{symbol: "kg/min", dim: MassFlow, factor: 1.0 / 60, us: "lb/min", ucum: "kg/min"},
	{symbol: "kg/s", dim: MassFlow, factor: 1, us: "lb/s", ucum: "kg/s"},
	{symbol: "short ton/h", dim: MassFlow, factor: kgPerShortTon / 3600, us: "short ton/h", ucum: "[ston_av]/h", aliases: []string{"short tons/h", "short tons per hour"}},
	{symbol: "short ton/d", dim: MassFlow, factor: kgPerShortTon / 86400, us: "short ton/d", ucum: "[ston_av]/d"},
	{symbol: "lb/h", dim: MassFlow, factor: kgPerPound / 3600, us: "lb/h", ucum: "[lb_av]/h"},
	{symbol: "lb/min", dim: MassFlow, factor: kgPerPound / 60, us: "lb/min", ucum: "[lb_av]/min"},
	{symbol: "lb/s", dim: MassFlow, factor: kgPerPound, us: "lb/s", ucum: "[lb_av]/s"},

	{symbol: "kg/m", dim: LineLoad, factor: 1, us: "lb/ft", ucum: "kg/m"},
	{symbol: "lb/ft", dim: LineLoad, factor: kgPerPound / mPerFoot, us: "lb/ft", ucum: "[lb_av]/[ft_i]"},

	{symbol: "t/h/m2", dim: DeckLoad, factor: 1000.0 / 3600, shown: "t/h per m²", us: "short ton/h/ft2", ucum: "t/h/m2"},
	{symbol: "short ton/h/ft2", dim: DeckLoad, factor: kgPerShortTon / 3600 / (mPerFoot * mPerFoot), shown: "short ton/h per ft²", us: "short ton/h/ft2", ucum: "[ston_av]/h/[ft_i]2"},

	{symbol: "m3", dim: Volume, factor: 1, shown: "m³", us: "US gal", ucum: "m3"},
	{symbol: "L", dim: Volume, factor: 1e-3, us: "US gal", ucum: "L", aliases: []string{"l", "litre", "litres", "liter", "liters"}},
	{symbol: "mL", dim: Volume, factor: 1e-6, ucum: "mL", aliases: []string{"ml"}},
	{symbol: "US gal", dim: Volume, factor: m3PerGallonUS, us: "US gal", ucum: "[gal_us]", aliases: []string{"US gallon", "US gallons"}},
	{symbol: "imp gal", dim: Volume, factor: m3PerGallonUK, ucum: "[gal_br]"},
	{symbol: "ft3", dim: Volume, factor: mPerFoot * mPerFoot * mPerFoot, shown: "ft³", us: "ft3", ucum: "[cft_i]"},

	{symbol: "L/min", dim: VolumeFlow, factor: 1e-3 / 60, us: "US gpm", ucum: "L/min", aliases: []string{"l/min", "lpm"}},
	{symbol: "L/s", dim: VolumeFlow, factor: 1e-3, us: "US gpm", ucum: "L/s", aliases: []string{"l/s"}},
	{symbol: "L/h", dim: VolumeFlow, factor: 1e-3 / 3600, us: "US gpm", ucum: "L/h", aliases: []string{"l/h"}},
	{symbol: "m3/h", dim: VolumeFlow, factor: 1.0 / 3600, shown: "m³/h", us: "US gpm", ucum: "m3/h"},
	{symbol: "US gpm", dim: VolumeFlow, factor: m3PerGallonUS / 60, shown: "US gal/min", us: "US gpm", ucum: "[gal_us]/min", aliases: []string{"US gal/min"}},
	{symbol: "imp gpm", dim: VolumeFlow, factor: m3PerGallonUK / 60, shown: "imp gal/min", ucum: "[gal_br]/min", aliases: []string{"imp gal/min"}},

	{symbol: "kg/m3", dim: Density, factor: 1, shown: "kg/m³", ucum: "kg/m3"},
	{symbol: "kg/L", dim: Density, factor: 1000, ucum: "kg/L", aliases: []string{"kg/l"}},
	{symbol: "g/cm3", dim: Density, factor: 1000, shown: "g/cm³", ucum: "g/cm3", aliases: []string{"g/mL", "g/ml"}},
	{symbol: "t/m3", dim: Density, factor: 1000, shown: "t/m³", ucum: "t/m3"},
	{symbol: "g/L", dim: Density, factor: 1, ucum: "g/L", aliases: []string{"g/l"}},
	{symbol: "mg/L", dim: Density, factor: 1e-3, ucum: "mg/L", aliases: []string{"mg/l"}},
	{symbol: "lb/ft3", dim: Density, factor: kgPerPound / (mPerFoot * mPerFoot * mPerFoot), shown: "lb/ft³", ucum: "[lb_av]/[cft_i]"},

	{symbol: "m", dim: Length, factor: 1, us: "ft", ucum: "m"},
	{symbol: "cm", dim: Length, factor: 1e-2, us: "in", ucum: "cm"},
	{symbol: "mm", dim: Length, factor: 1e-3, us: "in", ucum: "mm"},
	{symbol: "um", dim: Length, factor: 1e-6, shown: "µm", ucum: "um", aliases: []string{"µm", "μm", "micron", "microns"}},
	{symbol: "in", dim: Length, factor: mPerInch, us: "in", ucum: "[in_i]", aliases: []string{"inch", "inches"}},
	{symbol: "ft", dim: Length, factor: mPerFoot, us: "ft", ucum: "[ft_i]", aliases: []string{"foot", "feet"}},

	{symbol: "m2", dim: Area, factor: 1, shown: "m²", us: "ft2", ucum: "m2"},
	{symbol: "ft2", dim: Area, factor: mPerFoot * mPerFoot, shown: "ft²", us: "ft2", ucum: "[sft_i]"},

	{symbol: "m/s", dim: Speed, factor: 1, us: "ft/min", ucum: "m/s"},
	{symbol: "mm/s", dim: Speed, factor: 1e-3, us: "in/s", ucum: "mm/s"},
	{symbol: "m/h", dim: Speed, factor: 1.0 / 3600, us: "ft/h", ucum: "m/h"},
	{symbol: "ft/min", dim: Speed, factor: mPerFoot / 60, us: "ft/min", ucum: "[ft_i]/min"},
	{symbol: "ft/s", dim: Speed, factor: mPerFoot, us: "ft/s", ucum: "[ft_i]/s"},
	{symbol: "ft/h", dim: Speed, factor: mPerFoot / 3600, us: "ft/h", ucum: "[ft_i]/h"},
	{symbol: "in/s", dim: Speed, factor: mPerInch, us: "in/s", ucum: "[in_i]/s"},

	{symbol: "m/s2", dim: Acceleration, factor: 1, shown: "m/s²", ucum: "m/s2"},
	{symbol: "gn", dim: Acceleration, factor: mPerS2Gravity, ucum: "[g]"},

	{symbol: "deg", dim: Angle, factor: 1, shown: "°", ucum: "deg", aliases: []string{"°", "degree", "degrees"}},
	{symbol: "rad", dim: Angle, factor: degPerRadian, ucum: "rad"},

	{symbol: "s", dim: Time, factor: 1, ucum: "s"},
	{symbol: "ms", dim: Time, factor: 1e-3, ucum: "ms"},
	{symbol: "min", dim: Time, factor: 60, ucum: "min"},
	{symbol: "h", dim: Time, factor: 3600, ucum: "h"},
	{symbol: "d", dim: Time, factor: 86400, ucum: "d"},

	{symbol: "1/min", dim: Frequency, factor: 1.0 / 60, shown: "/min", ucum: "/min", aliases: []string{"/min", "rpm", "strokes/min", "rev/min"}},
	{symbol: "Hz", dim: Frequency, factor: 1, ucum: "Hz", aliases: []string{"1/s", "/s"}},
	{symbol: "1/h", dim: Frequency, factor: 1.0 / 3600, shown: "/h", ucum: "/h", aliases: []string{"/h"}},

	{symbol: "A", dim: Current, factor: 1, ucum: "A"},
	{symbol: "mA", dim: Current, factor: 1e-3, ucum: "mA"},
	{symbol: "V", dim: Voltage, factor: 1, ucum: "V"},
	{symbol: "mV", dim: Voltage, factor: 1e-3, ucum: "mV"},
	{symbol: "mV/V", dim: BridgeSignal, factor: 1e-3, ucum: "mV/V"},
	{symbol: "ohm", dim: Resistance, factor: 1, shown: "Ω", ucum: "Ohm", aliases: []string{"Ω"}},

	{symbol: "kW", dim: Power, factor: 1000, us: "hp", ucum: "kW"},
	{symbol: "W", dim: Power, factor: 1, ucum: "W"},
	{symbol: "hp", dim: Power, factor: wPerHP, us: "hp", ucum: "[HP]"},
	{symbol: "kVA", dim: ApparentPower, factor: 1000, ucum: "kV.A"},
	{symbol: "kWh", dim: Energy, factor: 3.6e6, ucum: "kW.h"},
	{symbol: "kWh/t", dim: SpecificEnergy, factor: 3600, us: "kWh/short ton", ucum: "kW.h/t"},
	{symbol: "kWh/short ton", dim: SpecificEnergy, factor: 3.6e6 / kgPerShortTon, us: "kWh/short ton", ucum: "kW.h/[ston_av]"},

	{symbol: "N", dim: Force, factor: 1, ucum: "N"},
	{symbol: "kN", dim: Force, factor: 1000, ucum: "kN"},
	{symbol: "kPa", dim: Pressure, factor: 1000, us: "psi", ucum: "kPa"},
	{symbol: "bar", dim: Pressure, factor: 1e5, us: "psi", ucum: "bar"},
	{symbol: "psi", dim: Pressure, factor: paPerPSI, us: "psi", ucum: "[psi]"},
	{symbol: "Pa.s", dim: Viscosity, factor: 1, shown: "Pa·s", ucum: "Pa.s"},
	{symbol: "mPa.s", dim: Viscosity, factor: 1e-3, shown: "mPa·s", ucum: "mPa.s", aliases: []string{"cP"}},
	{symbol: "degC", dim: Temperature, factor: 1, offset: 273.15, shown: "°C", us: "degF", ucum: "Cel", aliases: []string{"°C"}},
	{symbol: "degF", dim: Temperature, factor: 5.0 / 9, offset: 273.15 - 32*5.0/9, shown: "°F", us: "degF", ucum: "[degF]", aliases: []string{"°F"}},
	{symbol: "K", dim: Temperature, factor: 1, ucum: "K"},
	{symbol: "NTU", dim: Turbidity, factor: 1, ucum: "{NTU}"},
}

// bySymbol finds a unit by its symbol or an alias.
var bySymbol = func() map[string]*unit {
	m := make(map[string]*unit, 2*len(table))
	for i := range table {
		u := &table[i]
		m[u.symbol] = u
		for _, a := range u.aliases {
			m[a] = u
		}
	}
	return m
}()

// Known reports whether a unit is in the table, under its symbol or an alias.
func Known(unit string) bool { return bySymbol[unit] != nil }

// Canonical returns the one symbol that plant files and the store use for a unit
// ("L/min" for "lpm").
func Canonical(unit string) (symbol string, ok bool) {
	if u := bySymbol[unit]; u != nil {
		return u.symbol, true
	}
	return "", false
}

// DimensionOf says what a unit measures; empty for a unit that is not known.
func DimensionOf(unit string) Dimension {
	if u := bySymbol[unit]; u != nil {
		return u.dim
	}
	return ""
}

// UCUM is the case-sensitive code of a unit from the Unified Code for Units of
// Measure, as it travels in the property engUnit; empty for a unit not known.
func UCUM(unit string) string {
	if u := bySymbol[unit]; u != nil {
		return u.ucum
	}
	return ""
}

// FromUCUM finds the unit of a UCUM code ("L/min" for "L/min", "degC" for "Cel").
func FromUCUM(code string) (symbol string, ok bool) {
	i := slices.IndexFunc(table, func(u unit) bool { return u.ucum == code })
	if i < 0 {
		return "", false
	}
	return table[i].symbol, true
}

// Symbol is how a unit is written on a screen ("µm" for "um", "troy oz" for "ozt");
// an unknown unit is returned as it came.
func Symbol(unit string) string {
	u := bySymbol[unit]
	switch {
	case u == nil:
		return unit
	case u.symbol == "1":
		return ""
	case u.shown != "":
		return u.shown
	}
	return u.symbol
}

// All lists the canonical symbols in table order.
func All() []string {
	all := make([]string, len(table))
	for i := range table {
		all[i] = table[i].symbol
	}
	return all
}
