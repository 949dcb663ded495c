package protocol

// Crank is what one lead did during one start.
type Crank struct {
	ID string `json:"id"` // the same in the cycle and in the crank result
	CrankDetail
}

// CrankDetail is a start as one lead shows it.
type CrankDetail struct {
	// The start's begin lies between the two.
	BeginsNotBeforeNS int64 `json:"begins_not_before_ns"`
	BeginsNotAfterNS  int64 `json:"begins_not_after_ns"`
	EndsNS            int64 `json:"ends_ns"`
	// NotMeasured says why there is no Sag, whose members are then left out;
	// null where there is one.
	NotMeasured OrNull `json:"not_measured"`
	*Sag
}

// Sag is how far a feed fell while cranking.
type Sag struct {
	BeforeV Volts `json:"before_v"`  // the level before the fall
	LevelUV Volts `json:"level_u_v"` // standard uncertainty of BeforeV and PlateauV (k = 1)
	MinV    Volts `json:"min_v"`
	MinUV   Volts `json:"min_u_v"` // standard uncertainty of MinV
	// HiddenDipV bounds how much deeper a dip between two samples can have been,
	// if it was held at its bottom as a starter's inrush is: for 15 ms at least (t6
	// of ISO 16750-2 4.6.3). AtOrBelow says that there is no such bound: the samples are too far
	// apart, and the true minimum lies at or below MinV.
	HiddenDipV  Volts       `json:"hidden_dip_v"`
	AtOrBelow   bool        `json:"at_or_below"`
	MinAtNS     int64       `json:"min_at_ns"`
	PlateauV    Volts       `json:"plateau_v"` // median while the engine turns, after the inrush
	Ripple      *Ripple     `json:"ripple"`    // null where no compression strokes stand out; the battery sense lead's only
	Below       List[Below] `json:"below"`     // limits falling
	RecoveredMS *Millis     `json:"recovered_ms"`
}

// Ripple is what the compression strokes make of the plateau: n·N/120 a second
// for N cylinders of a four-stroke engine at n turns a minute. RPM is null where
// the number of cylinders is not known. Uncertainties are standard (k = 1).
type Ripple struct {
	Hz   Ratio  `json:"hz"`
	UHz  Ratio  `json:"u_hz"`
	V    Volts  `json:"v"` // amplitude
	RPM  *Ratio `json:"rpm"`
	URPM *Ratio `json:"u_rpm"`
}

// Below is the time a lead spent under a limit during a start. MSMin and MSMax
// are the times under V less and plus its standard uncertainty.
type Below struct {
	V     Volts       `json:"v"`
	MS    Millis      `json:"ms"`
	MSMin Millis      `json:"ms_min"`
	MSMax Millis      `json:"ms_max"`
	VS    VoltSeconds `json:"v_s"` // area between V and the voltage while under it
}

// CrankResult tells of a start on one lead as it ends. It is provisional: the
// cycle repeats its id, or a second result withdraws it.
type CrankResult struct {
	ResultHeader
	ID   string `json:"id"`
	Lead string `json:"lead"`
	Slot OrNull `json:"slot"` // null for a lead in no slot (battery sense, key sense)
	Side OrNull `json:"side"`
	// Withdrawn says that it was none after all, Why says why; then there is no
	// CrankDetail, and its members are left out.
	Withdrawn bool   `json:"withdrawn"`
	Why       OrNull `json:"why"`
	*CrankDetail
}

func (*CrankResult) kind() Kind { return KindCrank }
