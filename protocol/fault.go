package protocol

// BenchFault tells that the bench itself has trouble: samples refused, a chip
// that does not answer. It is sent at the first of a kind, then counted.
type BenchFault struct {
	ResultHeader
	AtNS   int64  `json:"at_ns"`
	Lead   OrNull `json:"lead"` // null: not of one lead
	Chip   OrNull `json:"chip"` // null: not of one chip
	Reason string `json:"reason"`
	Count  int64  `json:"count"` // since the last such document, at least 1
}

// Gap explains a hole in a stream: results that were numbered and then lost.
type Gap struct {
	ResultHeader
	FromSeq int64  `json:"from_seq"` // first lost
	ToSeq   int64  `json:"to_seq"`   // last lost
	Count   int64  `json:"count"`    // how many of them were lost
	Reason  string `json:"reason"`
}

// Clock tells that the wall clock was set or jumped. Results are not moved by it:
// their instants are monotonic, and the wall time they bear stays as it was written.
type Clock struct {
	ResultHeader
	AtNS int64 `json:"at_ns"` // when it was noticed
	// StepMS is by how much the wall clock has jumped against the monotonic one;
	// null where it was not known before.
	StepMS *Millis `json:"step_ms"`
	// Known is whether the wall clock is set now: Wall is there if so.
	Known bool `json:"known"`
}

func (*BenchFault) kind() Kind { return KindBenchFault }
func (*Clock) kind() Kind      { return KindClock }
func (*Gap) kind() Kind        { return KindGap }
