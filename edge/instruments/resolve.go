package instruments

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"decktrim/edge/calib"
	"decktrim/edge/sensor/ads1115"
	"decktrim/edge/sensor/hx711"
	"decktrim/edge/sensor/modbus"
	"decktrim/edge/sensor/nau7802"
	"decktrim/internal/plant"
	"decktrim/internal/tomlfile"
)

// Kinds of bus and chips, as board files write them.
const (
	busSimulated = "simulated"
	busI2C       = "i2c"
	busSPI       = "spi"
	busSerial    = "serial"
	busGPIO      = "gpio"
	busModbusTCP = "modbus-tcp"

	chipNAU7802  = "nau7802"
	chipHX711    = "hx711"
	chipADS1115  = "ads1115"
	chipPulse    = "pulse"
	chipContact  = "contact"
	chipModbus   = "modbus"
	chipComputed = "computed"
	chipTyped    = "typed"
)

var busKinds = []string{busSimulated, busI2C, busSPI, busSerial, busGPIO, busModbusTCP}

// chipBuses says on which kinds of bus a chip can be; computed and typed channels
// need none. A simulated bus takes every chip.
var chipBuses = map[string][]string{
	chipNAU7802: {busI2C}, chipADS1115: {busI2C},
	chipHX711: {busGPIO}, chipPulse: {busGPIO}, chipContact: {busGPIO},
	chipModbus:   {busSerial, busModbusTCP},
	chipComputed: nil, chipTyped: nil,
}

// reading is one channel that this board measures: what the file says with every
// default filled in.
type reading struct {
	index int
	ch    plant.Channel
	cfg   SensorConfig
	bus   *BusConfig // nil: computed, typed
	line  calib.Line // not Known: uncalibrated
	where string     // for errors
}

// unknownWord is the error for a word that is none of the known ones.
func unknownWord(where, what, word string, known []string) error {
	if near, ok := tomlfile.Nearest(word, known); ok {
		return fmt.Errorf("%s: there is no %s %q; did you mean %q?", where, what, word, near)
	}
	return fmt.Errorf("%s: there is no %s %q; known are %s", where, what, word, strings.Join(known, ", "))
}

// resolve checks the tables against each other and the plant file and fills in the
// defaults. Nothing is opened but calibration files.
func resolve(o *Options) ([]*reading, error) {
	names := make([]string, 0, len(o.Buses))
	for i := range o.Buses {
		b := &o.Buses[i]
		where := fmt.Sprintf("bus %q", b.Name)
		switch {
		case b.Name == "":
			return nil, fmt.Errorf("bus %d has no name: give each [[bus]] a name", i+1)
		case slices.Contains(names, b.Name):
			return nil, fmt.Errorf("%s stands twice: give each [[bus]] its own name", where)
		case !slices.Contains(busKinds, b.Kind):
			return nil, unknownWord(where, "kind of bus", b.Kind, busKinds)
		case b.Kind != busSimulated && b.Path == "":
			return nil, fmt.Errorf("%s: a bus of kind %s needs a path", where, b.Kind)
		case b.Kind != busSimulated && (b.Seed != 0 || b.Scenario != "" || b.Source != "" || len(b.Hold) > 0):
			return nil, fmt.Errorf("%s: seed, scenario, source and hold belong to a simulated bus only", where)
		}
		names = append(names, b.Name)
	}
	sensors := o.Sensors
	if len(sensors) == 0 {
		i := slices.IndexFunc(o.Buses, func(b BusConfig) bool { return b.Kind == busSimulated })
		if i < 0 {
			return nil, fmt.Errorf("no [[sensor]] says what is on the buses: write one for each channel of the plant file, or use a bus of kind simulated")
		}
		sensors = usual(o.Plant, o.Buses[i].Name)
	}
	var out []*reading
	for i, s := range sensors {
		r, err := resolveOne(o, s, i, names)
		if err != nil {
			return nil, err
		}
		for _, other := range out {
			if other.index == r.index {
				return nil, fmt.Errorf("%s: another sensor already gives this channel", r.where)
			}
		}
		out = append(out, r)
	}
	return out, linesTwice(out)
}

// linesTwice finds a GPIO line that two sensors claim.
func linesTwice(reads []*reading) error {
	type line struct{ bus, name string }
	taken := map[line]*reading{}
	for _, r := range reads {
		for _, name := range []string{r.cfg.Pin, r.cfg.ClockPin, r.cfg.DataPin} {
			if name == "" {
				continue
			}
			l := line{r.cfg.Bus, name}
			if other := taken[l]; other != nil {
				return fmt.Errorf("%s: line %s of bus %q already serves channel %s", r.where, name, l.bus, other.ch.Name)
			}
			taken[l] = r
		}
	}
	return nil
}

func resolveOne(o *Options, s SensorConfig, i int, buses []string) (*reading, error) {
	r := &reading{cfg: s, where: fmt.Sprintf("sensor %d (%s)", i+1, s.Channel)}
	r.index = o.Plant.ChannelIndex(s.Channel)
	if r.index < 0 {
		var known []string
		for _, c := range o.Plant.Channels {
			known = append(known, c.Name)
		}
		return nil, unknownWord(fmt.Sprintf("sensor %d", i+1), "channel in "+o.Plant.File, s.Channel, known)
	}
	r.ch = o.Plant.Channels[r.index]
	kinds, ok := chipBuses[s.Chip]
	if !ok {
		known := make([]string, 0, len(chipBuses))
		for c := range chipBuses {
			known = append(known, c)
		}
		slices.Sort(known)
		return nil, unknownWord(r.where, "chip", s.Chip, known)
	}
	if kinds != nil {
		if s.Bus == "" && len(buses) == 1 {
			s.Bus = buses[0]
		}
		j := slices.Index(buses, s.Bus)
		if j < 0 {
			return nil, unknownWord(r.where, "bus", s.Bus, buses)
		}
		r.bus = &o.Buses[j]
		if r.bus.Kind != busSimulated && !slices.Contains(kinds, r.bus.Kind) {
			return nil, fmt.Errorf("%s: chip %s cannot be on bus %q of kind %s: it needs %s", r.where, s.Chip, s.Bus, r.bus.Kind, strings.Join(kinds, " or "))
		}
		r.cfg.Bus = s.Bus
	}
	if err := r.defaults(); err != nil {
		return nil, err
	}
	return r, r.calibration(o.Dir)
}

func setInt(p *int, v int) {
	if *p == 0 {
		*p = v
	}
}

func setFloat(p *float64, v float64) {
	if *p == 0 {
		*p = v
	}
}

func setString(p *string, v string) {
	if *p == "" {
		*p = v
	}
}

// defaults fills in what the file leaves open and asks the drivers whether they
// know the rest.
func (r *reading) defaults() error {
	c := &r.cfg
	var err error
	switch c.Chip {
	case chipNAU7802:
		setInt(&c.Address, nau7802.Address)
		setString(&c.Input, "1")
		setInt(&c.Gain, nau7802.DefaultOpts.Gain)
		setInt(&c.Rate, nau7802.DefaultOpts.Rate)
		setInt(&c.LDO, nau7802.DefaultOpts.LDO)
		err = c.nau7802().Validate()
	case chipHX711:
		setString(&c.Input, "A")
		setInt(&c.Gain, map[string]int{"A": 128, "B": 32}[c.Input])
		setInt(&c.Rate, hx711.DefaultOpts.Rate)
		if c.ClockPin == "" || c.DataPin == "" {
			return fmt.Errorf("%s: an hx711 needs clock_pin and data_pin", r.where)
		}
		err = c.hx711().Validate()
	case chipADS1115:
		setInt(&c.Address, ads1115.AddressGND)
		setInt(&c.FullScale, 4096)
		if c.Input == "" {
			return fmt.Errorf("%s: an ads1115 has four inputs: say which with input = \"0\" to \"3\"", r.where)
		}
		if r.transformer() {
			setFloat(&c.Ohm, 33)
			setFloat(&c.Ratio, 2000)
			setString(&c.Wave, "ac")
			if c.Wave != "ac" && c.Wave != "dc" {
				return unknownWord(r.where, "wave", c.Wave, []string{"ac", "dc"})
			}
			setInt(&c.Rate, map[string]int{"ac": 860, "dc": 250}[c.Wave])
		} else {
			setFloat(&c.Ohm, 150)
			setInt(&c.Rate, 250)
		}
		if c.Ohm < 0 || c.Ratio < 0 {
			return fmt.Errorf("%s: ohm and ratio must be above 0", r.where)
		}
		o, e := c.ads1115()
		if e == nil {
			_, e = o.Word()
		}
		err = e
	case chipPulse:
		if c.Pin == "" {
			return fmt.Errorf("%s: a pulse input needs pin, the name or number of its line", r.where)
		}
	case chipContact:
		if c.Pin == "" {
			return fmt.Errorf("%s: a contact needs pin, the name or number of its line", r.where)
		}
	case chipModbus:
		setInt(&c.Address, 1)
		setString(&c.Table, modbus.Holding)
		setString(&c.Format, modbus.Uint16)
		setString(&c.WordOrder, "high-first")
		setFloat(&c.Scale, 1)
		if c.WordOrder != "high-first" && c.WordOrder != "low-first" {
			return unknownWord(r.where, "word order", c.WordOrder, []string{"high-first", "low-first"})
		}
		if c.Register < 0 || c.Register > 65535 {
			return fmt.Errorf("%s: register %d must lie between 0 and 65535", r.where, c.Register)
		}
		err = c.point().Validate()
	case chipTyped:
		if c.Value == nil {
			return fmt.Errorf("%s: a typed channel needs its value", r.where)
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", r.where, err)
	}
	return nil
}

// transformer: an ads1115 input that reads a current transformer, not a loop.
func (r *reading) transformer() bool { return r.ch.Signal == plant.CurrentTransformer }

func (c SensorConfig) nau7802() nau7802.Opts {
	o := nau7802.Opts{Channel: 1, Gain: c.Gain, Rate: c.Rate, LDO: max(c.LDO, 0)}
	switch c.Input {
	case "1":
	case "2":
		o.Channel = 2
	default:
		o.Channel = 0 // refused
	}
	return o
}

func (c SensorConfig) hx711() hx711.Opts {
	return hx711.Opts{Input: c.Input, Gain: c.Gain, Rate: c.Rate}
}

func (c SensorConfig) ads1115() (ads1115.Opts, error) {
	mux, err := ads1115.ParseMux(c.Input)
	return ads1115.Opts{Input: mux, FullScale: c.FullScale, Rate: c.Rate}, err
}

func (c SensorConfig) point() modbus.Point {
	return modbus.Point{Table: c.Table, Register: uint16(c.Register), Format: c.Format, LowFirst: c.WordOrder == "low-first"}
}

// calibration finds the line: inline, from its file, or what the chip and the
// channel's range say by themselves.
func (r *reading) calibration(dir string) error {
	c := &r.cfg
	switch {
	case c.Calibration != nil && c.CalibrationFile != "":
		return fmt.Errorf("%s: give calibration or calibration_file, not both", r.where)
	case c.Calibration != nil:
		r.line = *c.Calibration
		if !r.line.Known() {
			return fmt.Errorf("%s: this calibration is none: its span must be a number other than 0", r.where)
		}
		return nil
	case c.CalibrationFile != "":
		path := c.CalibrationFile
		if !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		data, err := os.ReadFile(path)
		if os.IsNotExist(err) {
			break // not calibrated yet: 'calibrate' will write it
		}
		if err != nil {
			return fmt.Errorf("%s: %w", r.where, err)
		}
		f, err := calib.Parse(path, data)
		if err != nil {
			return err
		}
		if f.Channel != r.ch.Name {
			return fmt.Errorf("%s: %s is the calibration of channel %q", r.where, path, f.Channel)
		}
		if rec, ok := f.Current(); ok {
			r.line = rec.Line
			return nil
		}
	}
	line, err := r.nominal()
	if err != nil {
		return fmt.Errorf("%s: %w", r.where, err)
	}
	r.line = line
	return nil
}

// nominal is the line that needs no calibration; a bridge has none.
func (r *reading) nominal() (calib.Line, error) {
	c := r.cfg
	switch c.Chip {
	case chipADS1115:
		if r.transformer() {
			return calib.TransformerLine(c.Ratio, c.Ohm)
		}
		return calib.Loop(r.ch.Range[0], r.ch.Range[1])
	case chipPulse:
		if c.PulsesPer == 0 {
			return calib.Line{}, nil
		}
		return calib.PulseLine(c.PulsesPer, r.ch.Unit)
	case chipModbus:
		return calib.Line{Span: c.Scale}, nil
	case chipContact, chipTyped, chipComputed:
		return calib.Line{Span: 1}, nil
	}
	return calib.Line{}, nil
}
