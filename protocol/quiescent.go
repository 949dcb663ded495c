package protocol

// Quiescent is the current after key-off, measured across a shunt: what the vehicle
// draws asleep, when it fell asleep, and what woke it. Currents are positive out of the
// battery; uncertainties are standard (k = 1).
type Quiescent struct {
	Lead    string    `json:"lead"`
	LimitMA MilliAmps `json:"limit_ma"` // asleep below it
	// CurrentMA is the mean from FromNS to ToNS: asleep, wakes left out; or, while
	// Asleep is null, of the latest minute. All four are null before the first sample.
	CurrentMA *MilliAmps `json:"current_ma"`
	UMA       *MilliAmps `json:"u_ma"`
	FromNS    *int64     `json:"from_ns"`
	ToNS      *int64     `json:"to_ns"`
	// Asleep is when the current fell below the limit to stay there for 10 s; null if it
	// did not.
	Asleep *Asleep `json:"asleep"`
	// NoCurrent says that what is below the limit cannot be told from zero: the shunt is
	// bridged, or not in the battery's path. It is then not taken for sleep.
	NoCurrent bool       `json:"no_current"`
	Wakes     List[Wake] `json:"wakes"`
	// LeftOut is how many wakes are not listed, from among the first and the latest.
	LeftOut int `json:"left_out"`
	// ChargeMAH is what flowed since key-off in the SeenS that were seen. UnseenS is for
	// how long the lead could not be seen; during OverRangeS the current was beyond the
	// range, and ChargeMAH is less than what flowed.
	ChargeMAH  MilliAmpHours `json:"charge_mah"`
	UMAH       MilliAmpHours `json:"u_mah"`
	SeenS      Seconds       `json:"seen_s"`
	UnseenS    Seconds       `json:"unseen_s"`
	OverRangeS Seconds       `json:"over_range_s"`
}

// Asleep is an instant that lies between two others, and how long after key-off it is.
type Asleep struct {
	AtNS        int64   `json:"at_ns"`
	NotBeforeNS int64   `json:"not_before_ns"`
	NotAfterNS  int64   `json:"not_after_ns"`
	AfterS      Seconds `json:"after_s"`
}

// Wake is a rise of the current out of sleep.
type Wake struct {
	AtNS        int64 `json:"at_ns"`
	NotBeforeNS int64 `json:"not_before_ns"`
	NotAfterNS  int64 `json:"not_after_ns"`
	// LastedS is until the current stayed below the limit again; so far if Open.
	LastedS Seconds   `json:"lasted_s"`
	Open    bool      `json:"open"`
	PeakMA  MilliAmps `json:"peak_ma"` // greatest mean of a sample's window
	// Slots lists those that went live within a second of it: no proof that they woke it.
	Slots List[string] `json:"slots"`
}
