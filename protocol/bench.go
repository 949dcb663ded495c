package protocol

// Bench is the retained self-description of a bench.
type Bench struct {
	Header
	AsOf     AsOf   `json:"as_of"`
	BenchRev string `json:"bench_rev"` // the description's revision; see Description.Revision
	Description
}

// BenchResult is the same description as a result, sent at every change, so
// that older results can be read by the revision that they name.
type BenchResult struct {
	ResultHeader
	Description
}

// Description is what a bench says of itself.
type Description struct {
	Software string  `json:"software"` // name and version of the program
	Subject  Subject `json:"subject"`
	// BatterySense is the lead that all others are judged against; null without
	// one: then the absolute thresholds of Limits hold.
	BatterySense OrNull   `json:"battery_sense"`
	KeySense     KeySense `json:"key_sense"`
	// Box is what the slots are in; absent where the bench names no box file.
	Box    *BenchBox       `json:"box,omitempty"`
	Leads  List[BenchLead] `json:"leads"`
	Slots  List[BenchSlot] `json:"slots"`
	Chips  List[BenchChip] `json:"chips"`
	Limits Limits          `json:"limits"`
}

// KeySense names the leads that tell the key position; null where there is none.
type KeySense struct {
	Terminal75 OrNull `json:"terminal_75"`
	Terminal15 OrNull `json:"terminal_15"`
	Terminal50 OrNull `json:"terminal_50"`
	Terminal61 OrNull `json:"terminal_61"` // a sign of running
	// IgnitionSlot is the lead on a slot known to be ignition-switched that
	// stands in for terminal 15.
	IgnitionSlot OrNull `json:"ignition_slot"`
}

// BenchLead is one probe lead.
type BenchLead struct {
	Lead  string `json:"lead"`
	Slot  OrNull `json:"slot"` // null for a lead in no slot
	Side  OrNull `json:"side"` // left, right, upper, lower; null for a slot's only lead
	Chip  string `json:"chip"`
	Input int    `json:"input"` // from 0
	// TauUS is the time constant of the lead's filter while the slot is driven,
	// TauFloatingUS that of a released wire, as calibrated; UTau and UTauFloating
	// are their relative standard uncertainties. TauLearned is what the lead's own
	// edges have taught since; null before there were any.
	TauUS         Micros      `json:"tau_us"`
	TauFloatingUS Micros      `json:"tau_floating_us"`
	UTau          Ratio       `json:"u_tau"`
	UTauFloating  Ratio       `json:"u_tau_floating"`
	TauLearned    *TauLearned `json:"tau_learned"`
	Calibration   Calibration `json:"calibration"`
	// Shunt makes it a current lead, whose time constants are 0; absent for a probe lead.
	Shunt *Shunt `json:"shunt,omitempty"`
	// The sample interval as planned, and as achieved since the start (mean and
	// longest; null until measured). IntervalBoundUS is the longest
	// mean that the plan allows, with every conversion as long as the data sheet permits;
	// inputs change places now and then, so that one interval may be longer.
	IntervalBoundUS   Micros  `json:"interval_bound_us"`
	IntervalMeanUS    *Micros `json:"interval_mean_us"`
	IntervalLongestUS *Micros `json:"interval_longest_us"`
}

// Shunt is the resistor that a current is measured by.
type Shunt struct {
	MOhm Ratio `json:"mohm"`
	U    Ratio `json:"u"` // relative standard uncertainty of MOhm (k = 1)
	// UZeroMA is the standard uncertainty that the converter's offset leaves in any
	// current.
	UZeroMA MilliAmps `json:"u_zero_ma"`
}

// TauLearned is a lead's time constants as its own edges have them.
type TauLearned struct {
	DrivenUS   Micros `json:"driven_us"`
	UDriven    Ratio  `json:"u_driven"` // relative, k = 1
	FloatingUS Micros `json:"floating_us"`
	UFloating  Ratio  `json:"u_floating"`
	Edges      int    `json:"edges"` // learned from so many
}

// Calibration is a lead's straight line from pin volts to lead volts.
type Calibration struct {
	Date     OrNull `json:"date"`     // YYYY-MM-DD; null: never calibrated, nominal divider
	AgeDays  *int   `json:"age_days"` // since Date; null while that or the wall clock is not known
	Gain     Ratio  `json:"gain"`     // lead volts per pin volt
	OffsetV  Volts  `json:"offset_v"`
	UGain    Ratio  `json:"u_gain"` // relative
	UOffsetV Volts  `json:"u_offset_v"`
}

// BenchSlot is one fuse position under test.
type BenchSlot struct {
	Slot   string       `json:"slot"`
	Legend OrNull       `json:"legend"`
	Leads  List[string] `json:"leads"`
	Fuse   Fuse         `json:"fuse,omitempty"` // how it is fitted; absent while not said
	// Place is where it sits in Box, and Sides are its contacts as they lie there: left
	// and right, or upper and lower. Both are absent without a box.
	Place *Place   `json:"place,omitempty"`
	Sides []string `json:"sides,omitempty"`
}

// BenchBox is a fuse box as a bench tells of it.
type BenchBox struct {
	Box     string `json:"box"`   // its id
	Datum   string `json:"datum"` // how it is held so that places and sides are meant
	Zone    string `json:"zone"`  // cabin, engine-bay
	Rows    int    `json:"rows"`
	Columns int    `json:"columns"`
}

// Place is a place in a box's grid, from 1 at the top left.
type Place struct {
	Row    int `json:"row"`
	Column int `json:"column"`
}

// BenchChip is one converter.
type BenchChip struct {
	Chip    string `json:"chip"`
	Family  string `json:"family"`
	Bus     string `json:"bus"`
	Address int    `json:"address"` // 7-bit I2C address
	// RateHz is the nominal conversion rate, FullScaleV the range at the pin.
	RateHz     Ratio `json:"rate_hz"`
	FullScaleV Volts `json:"full_scale_v"`
}

// Limits are the figures that results are judged by.
type Limits struct {
	// LiveAbove and DeadBelow are fractions of the battery sense lead's moment;
	// LiveAboveV and DeadBelowV hold where there is no such lead.
	LiveAbove  Ratio       `json:"live_above"`
	DeadBelow  Ratio       `json:"dead_below"`
	LiveAboveV Volts       `json:"live_above_v"`
	DeadBelowV Volts       `json:"dead_below_v"`
	GhostBelow Ratio       `json:"ghost_below"` // fraction of the battery
	WatchS     Seconds     `json:"watch_s"`     // after key-off
	GapMaxMS   Millis      `json:"gap_max_ms"`  // longest silence before a lead is unknown
	BounceMS   Millis      `json:"bounce_max_ms"`
	BelowV     List[Volts] `json:"below_v"` // limits of the time under them while cranking, falling
	// AsleepBelowMA is the current below which the vehicle is asleep; absent without a
	// lead that measures a current.
	AsleepBelowMA MilliAmps `json:"asleep_below_ma,omitempty"`
}

func (*Bench) kind() Kind       { return KindBench }
func (*BenchResult) kind() Kind { return KindBench }
