package instruments

import (
	"fmt"
	"math"

	"decktrim/edge/calib"
	"decktrim/edge/sensor/hx711"
	"decktrim/edge/sensor/nau7802"
	"decktrim/internal/plant"
)

// usual gives every channel of a plant file its usual instrument on a simulated
// bus:
//
//   - bridge: an NAU7802 for the bin and the belt, an HX711 for each product bin;
//   - 4-20mA and current-transformer: the inputs of ADS1115s, four to a chip;
//   - pulse: a pulse input with a K-factor that gives some hundred Hz at the top of
//     the range (a stroke sensor gives one pulse a stroke);
//   - bus: a register of one Modbus device, or for a running contact one of its bits;
//   - computed: feed rate from belt load and speed where the plant file has both, or
//     what a controller would send;
//   - typed: what a person would have typed.
func usual(p *plant.Plant, bus string) []SensorConfig {
	var out []SensorConfig
	analog, register, pin := 0, 0, 0
	for _, ch := range p.Channels {
		s := SensorConfig{Channel: ch.Name, Bus: bus}
		hi := ch.Range[1]
		switch {
		case ch.Signal == plant.Computed, ch.Signal == plant.Typed:
			s.Chip, s.Bus = chipComputed, ""
		case ch.Signal == plant.Bridge && tableBin(ch.Role):
			pin++
			s.Chip, s.ClockPin, s.DataPin = chipHX711, fmt.Sprintf("hx%d-clk", pin), fmt.Sprintf("hx%d-data", pin)
			// 2 mV/V at 5 V, loaded to half by a full bin; its own weight gives 1 mV.
			s.Calibration = bridgeLine(hi, 5, 1, hx711.VoltsPerCount(5, 128))
		case ch.Signal == plant.Bridge:
			s.Chip = chipNAU7802
			s.Calibration = bridgeLine(hi, 3, 0.6, nau7802.VoltsPerCount(3000, 128))
		case ch.Signal == plant.Loop420, ch.Signal == plant.CurrentTransformer:
			s.Chip, s.Address, s.Input = chipADS1115, 0x48+analog/4, fmt.Sprint(analog%4)
			if ch.Signal == plant.CurrentTransformer {
				s.Ratio, s.Ohm = 2000, math.Round(20000/hi)/10 // 1 V rms at the top of the range
			}
			analog++
		case ch.Signal == plant.Pulse:
			pin++
			s.Chip, s.Pin, s.PulsesPer = chipPulse, fmt.Sprintf("GPIO%d", pin), usualK(ch)
		case ch.Unit == "1" && ch.Signal == plant.Bus:
			s.Chip, s.Address, s.Table, s.Register = chipModbus, 1, "discrete", register
			register += 2
		case ch.Unit == "1":
			pin++
			s.Chip, s.Pin = chipContact, fmt.Sprintf("GPIO%d", pin)
		case ch.Signal == plant.Bus:
			s.Chip, s.Address, s.Table, s.Register, s.Format = chipModbus, 1, "input", register, "float32"
			register += 2
		default:
			s.Chip, s.Bus = chipComputed, ""
		}
		if analog > 16 { // no more addresses: the rest comes over the meter bus
			s = SensorConfig{Channel: ch.Name, Bus: bus, Chip: chipModbus, Address: 1, Table: "input", Register: register, Format: "float32"}
			register += 2
		}
		out = append(out, s)
	}
	return out
}

func tableBin(r plant.Role) bool {
	return r == plant.Concentrate1Weight || r == plant.Concentrate2Weight || r == plant.MiddlingsWeight
}

// bridgeLine is the line of a cell that gives fullMV more than emptyMV when the
// channel is at the top of its range, through a converter of so many volts a count.
func bridgeLine(top, fullMV, emptyMV, voltsPerCount float64) *calib.Line {
	perMV := 1e-3 / voltsPerCount
	return &calib.Line{Zero: emptyMV * perMV, Span: top / (fullMV * perMV)}
}

// usualK is pulses per litre, metre or stroke of the usual meter.
func usualK(ch plant.Channel) float64 {
	switch ch.Unit {
	case "1/min":
		return 1
	case "m/s", "m/min":
		return 50
	}
	line, err := calib.PulseLine(1, ch.Unit)
	if err != nil || ch.Range[1] <= 0 {
		return 1
	}
	return math.Max(1, math.Round(400*line.Span/ch.Range[1])) // about 400 Hz at the top
}
