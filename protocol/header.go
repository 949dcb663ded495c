package protocol

import "time"

// Version is what every document says of its own form.
const Version = "keyturn/1"

// Header is what every document begins with.
type Header struct {
	Version string `json:"version"` // always Version; written by Encode
	Kind    Kind   `json:"kind"`    // written by Encode
	Bench   string `json:"bench"`   // the bench's id, [a-z0-9-]{1,32}
	Boot    string `json:"boot"`    // names the clock of all *_ns: lower-case hex digits and hyphens, 8 hex first
	MonoNS  int64  `json:"mono_ns"` // when the document was made, monotonic
	// Wall is the same moment as RFC 3339 UTC; empty (left out) while unknown.
	// WallErrMS bounds its error and is there with it.
	Wall      string  `json:"wall,omitempty"`
	WallErrMS *Millis `json:"wall_err_ms,omitempty"`
}

// Head returns the header; it makes every document a Document.
func (h *Header) Head() *Header { return h }

// SetWall says what the wall clock showed when the document was made, and by
// how much it may be wrong.
func (h *Header) SetWall(t time.Time, err time.Duration) {
	ms := MillisOf(err)
	h.Wall, h.WallErrMS = t.UTC().Format("2006-01-02T15:04:05.000Z"), &ms
}

// ResultHeader is what every result begins with.
type ResultHeader struct {
	Header
	Stream string `json:"stream"` // names the store's numbering
	Seq    int64  `json:"seq"`    // from 1 without a hole; given on acceptance
	// BenchRev is the revision of the bench description it was made under.
	BenchRev string `json:"bench_rev"`
}

// ResultHead returns the result's header; it makes a document a Result.
func (r *ResultHeader) ResultHead() *ResultHeader { return r }

// AsOf says up to which result of which stream a document that is not stored
// knows; Seq 0 before the first. Results before KeptFromSeq are no longer kept: who
// lacks them will not get them, and counts on from there.
type AsOf struct {
	Stream      string `json:"stream"`
	Seq         int64  `json:"seq"`
	KeptFromSeq int64  `json:"kept_from_seq"`
}

// Document is anything that is published.
type Document interface {
	Head() *Header
	kind() Kind
}

// Result is a document that is stored and numbered.
type Result interface {
	Document
	ResultHead() *ResultHeader
}
