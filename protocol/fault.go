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

func (*BenchFault) kind() Kind { return KindBenchFault }
func (*Gap) kind() Kind        { return KindGap }
