// Package comminution holds the energy of size reduction: Bond's equation, the
// operating work index of a running mill, and electric power from current.
package comminution

import (
	"errors"
	"fmt"
	"math"
)

// Bond is the specific energy, kWh/t of dry ore, to break from f80Um to p80Um (80 %
// passing, um) at a work index in kWh/t: W = 10 Wi (1/sqrt P - 1/sqrt F).
// Source: Bond's third theory as given by Rowland, The Bond Work Index, SME-AIME
// 1976 (BO-01). It was made for ball and rod mills; for a hammer mill it compares
// one day with another, not one mill with another.
func Bond(workIndex, f80Um, p80Um float64) (kWhPerT float64, err error) {
	b, err := bracket(f80Um, p80Um)
	if err != nil {
		return 0, err
	}
	if !(workIndex > 0) || math.IsInf(workIndex, 0) {
		return 0, fmt.Errorf("comminution: work index %v kWh/t must be above 0", workIndex)
	}
	return workIndex * b, nil
}

// OperatingWorkIndex is the work index, kWh/t, worked out from a running mill's
// power (kW), dry feed (t/h) and sizes (um): what Bond's equation would need to give
// the energy that was used (BO-03).
func OperatingWorkIndex(kW, dryTph, f80Um, p80Um float64) (float64, error) {
	w, err := SpecificEnergy(kW, dryTph)
	if err != nil {
		return 0, err
	}
	b, err := bracket(f80Um, p80Um)
	if err != nil {
		return 0, err
	}
	return w / b, nil
}

// SpecificEnergy is kWh per tonne of dry ore.
func SpecificEnergy(kW, dryTph float64) (float64, error) {
	if !(kW >= 0) || !(dryTph > 0) || math.IsInf(kW, 0) || math.IsInf(dryTph, 0) {
		return 0, fmt.Errorf("comminution: %v kW at %v t/h gives no kWh/t: the feed must be above 0", kW, dryTph)
	}
	return kW / dryTph, nil
}

// ReductionRatio is f80/p80.
func ReductionRatio(f80Um, p80Um float64) (float64, error) {
	if _, err := bracket(f80Um, p80Um); err != nil {
		return 0, err
	}
	return f80Um / p80Um, nil
}

func bracket(f80Um, p80Um float64) (float64, error) {
	if !(p80Um > 0) || !(f80Um > p80Um) || math.IsInf(f80Um, 0) {
		return 0, fmt.Errorf("comminution: F80 %v um must be coarser than P80 %v um, and both above 0", f80Um, p80Um)
	}
	return 10 * (1/math.Sqrt(p80Um) - 1/math.Sqrt(f80Um)), nil
}

// AssumedVoltage is used where no voltage is measured or stated, V line to line.
const AssumedVoltage = 400.0

// ErrEngine: a mill driven by an engine has no current, so no power and no kWh/t.
var ErrEngine = errors.New("comminution: the mill is driven by an engine: there is no current to take power from")

// Motor is what turns current into power. PowerFactor and Efficiency are 0 to 1;
// Efficiency 0 means not known (then no shaft power is given).
type Motor struct {
	PowerFactor float64
	Efficiency  float64
	Engine      bool // driven by an engine, not a motor
}

// Power is three-phase power. Assumes is empty, or says what was not measured
// ("assumes 400 V"); it stands beside the figure wherever that is shown.
type Power struct {
	InputKW     float64
	ShaftKW     float64 // 0 where the efficiency is not known
	ApparentKVA float64
	Assumes     string
}

// Power is that of a balanced three-phase motor from its line current (A) and line
// voltage (V, line to line; 0 means not measured): P = sqrt(3) V I pf (PW-01, PW-05).
func (m Motor) Power(lineA, lineV float64) (Power, error) {
	switch {
	case m.Engine:
		return Power{}, ErrEngine
	case !(m.PowerFactor > 0 && m.PowerFactor <= 1):
		return Power{}, fmt.Errorf("comminution: power factor %v must be above 0 and at most 1", m.PowerFactor)
	case !(m.Efficiency >= 0 && m.Efficiency <= 1):
		return Power{}, fmt.Errorf("comminution: efficiency %v must lie from 0 to 1", m.Efficiency)
	case !(lineA >= 0) || !(lineV >= 0) || math.IsInf(lineA, 0) || math.IsInf(lineV, 0):
		return Power{}, fmt.Errorf("comminution: %v A at %v V cannot be: both must be at least 0", lineA, lineV)
	}
	var p Power
	if lineV == 0 {
		lineV = AssumedVoltage
		p.Assumes = fmt.Sprintf("assumes %.0f V", AssumedVoltage)
	}
	p.ApparentKVA = math.Sqrt(3) * lineV * lineA / 1000
	p.InputKW = p.ApparentKVA * m.PowerFactor
	p.ShaftKW = p.InputKW * m.Efficiency
	return p, nil
}

// FullLoadCurrent is the line current, A, of a three-phase motor that delivers
// shaftKW at its shaft (PW-02).
func (m Motor) FullLoadCurrent(shaftKW, lineV float64) (float64, error) {
	if m.Engine {
		return 0, ErrEngine
	}
	if !(shaftKW >= 0) || !(lineV > 0) || !(m.PowerFactor > 0 && m.PowerFactor <= 1) || !(m.Efficiency > 0 && m.Efficiency <= 1) || math.IsInf(shaftKW, 0) {
		return 0, fmt.Errorf("comminution: %v kW at %v V needs a power factor and an efficiency above 0 and at most 1", shaftKW, lineV)
	}
	return shaftKW * 1000 / (math.Sqrt(3) * lineV * m.PowerFactor * m.Efficiency), nil
}

// SinglePhase is the power, W, of a single-phase load (PW-03).
func SinglePhase(v, a, powerFactor float64) (float64, error) {
	if !(v >= 0) || !(a >= 0) || !(powerFactor >= 0 && powerFactor <= 1) || math.IsInf(v*a, 0) {
		return 0, fmt.Errorf("comminution: %v V, %v A, power factor %v cannot be", v, a, powerFactor)
	}
	return v * a * powerFactor, nil
}

// Unbalance is the largest departure of the three line currents from their mean,
// over the mean (the form NEMA MG 1 gives for voltage, from memory; PW-04).
func Unbalance(a, b, c float64) (float64, error) {
	mean := (a + b + c) / 3
	if !(a >= 0 && b >= 0 && c >= 0) || !(mean > 0) || math.IsInf(mean, 0) {
		return 0, fmt.Errorf("comminution: currents %v, %v, %v A have no unbalance: they must be at least 0 and not all 0", a, b, c)
	}
	return max(math.Abs(a-mean), math.Abs(b-mean), math.Abs(c-mean)) / mean, nil
}
