package plant

// Role says what a channel is to the watch, the balances and the screens.
type Role string

const (
	FeedRate           Role = "feed_rate"
	FeedSetpoint       Role = "feed_setpoint"
	FeederDrive        Role = "feeder_drive"
	BeltLoad           Role = "belt_load"
	BeltSpeed          Role = "belt_speed"
	BinWeight          Role = "bin_weight"
	JawRunning         Role = "jaw_running"
	JawCurrent         Role = "jaw_current"
	JawBeltLoad        Role = "jaw_belt_load"
	MillCurrent        Role = "mill_current"
	MillVoltage        Role = "mill_voltage"
	MillWater          Role = "mill_water"
	MillWaterSetpoint  Role = "mill_water_setpoint"
	WashWater          Role = "wash_water"
	WashWaterSetpoint  Role = "wash_water_setpoint"
	LaunderWater       Role = "launder_water"
	TableRunning       Role = "table_running"
	TableStrokeRate    Role = "table_stroke_rate"
	ClassifierRunning  Role = "classifier_running"
	PumpRunning        Role = "pump_running"
	Concentrate1Weight Role = "concentrate_1_weight"
	Concentrate2Weight Role = "concentrate_2_weight"
	MiddlingsWeight    Role = "middlings_weight"
	PondLevel          Role = "pond_level"
	ReturnFlow         Role = "return_flow"
	MakeupFlow         Role = "makeup_flow"
)

// stationOf names the equipment folder of each role: it is the first part of the
// metric name on the wire and the place of the channel in process order.
var stationOf = []struct {
	Station string
	Roles   []Role
}{
	{"Jaw", []Role{JawRunning, JawCurrent, JawBeltLoad}},
	{"Feeder", []Role{BinWeight, FeederDrive, FeedSetpoint}},
	{"Belt", []Role{FeedRate, BeltLoad, BeltSpeed}},
	{"Mill", []Role{MillCurrent, MillVoltage, MillWater, MillWaterSetpoint, LaunderWater}},
	{"Table", []Role{WashWater, WashWaterSetpoint, TableRunning, TableStrokeRate, Concentrate1Weight, Concentrate2Weight, MiddlingsWeight}},
	{"Classifier", []Role{ClassifierRunning}},
	{"Pond", []Role{PumpRunning, PondLevel, ReturnFlow, MakeupFlow}},
}

// Roles lists the known roles in process order.
func Roles() []Role {
	var all []Role
	for _, s := range stationOf {
		all = append(all, s.Roles...)
	}
	return all
}

// StationOfRole names the equipment a role belongs to; "Site" for others.
func StationOfRole(r Role) string {
	for _, s := range stationOf {
		for _, have := range s.Roles {
			if have == r {
				return s.Station
			}
		}
	}
	return "Site"
}

// MetricName is the channel's name on the wire: the plant file's, or else the
// equipment folder and the channel's own name ("Belt/feed_rate").
func (c Channel) MetricName() string {
	if c.Metric != "" {
		return c.Metric
	}
	return StationOfRole(c.Role) + "/" + c.Name
}

// LimitKind is the kind of event that a limit set on a role's low or high side
// raises (the kinds are those of the watch); "" where that side has no meaning.
func LimitKind(r Role, high bool) string {
	kinds := map[Role][2]string{
		FeedRate:           {"feed_loss", "feed_surge"},
		BeltLoad:           {"feed_loss", "feed_surge"},
		BeltSpeed:          {"belt_stopped", ""},
		BinWeight:          {"bin_low", "bin_full"},
		MillCurrent:        {"", "mill_choke"},
		MillWater:          {"water_loss", "flooding"},
		WashWater:          {"water_loss", "flooding"},
		LaunderWater:       {"water_loss", "flooding"},
		ReturnFlow:         {"water_loss", ""},
		MakeupFlow:         {"water_loss", ""},
		TableStrokeRate:    {"stroke_changed", "stroke_changed"},
		Concentrate1Weight: {"", "concentrate_full"},
		Concentrate2Weight: {"", "concentrate_full"},
		MiddlingsWeight:    {"", "concentrate_full"},
		PondLevel:          {"pond_low", "pond_high"},
	}[r]
	if high {
		return kinds[1]
	}
	return kinds[0]
}
