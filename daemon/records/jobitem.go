package records

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"keyturn/protocol"
)

// JobFile is a job with everything in it.
type JobFile struct {
	Job
	Cycles   []JobCycle // the latest stored first
	Fittings []Fitting  // in the order in which they were noted
	Codes    []Code
	Notes    []JobNote
	Photos   []Photo
}

// JobCycle is a key cycle in a job.
type JobCycle struct {
	CycleRef
	Job   int64
	Phase Phase
	// Put says when it was put into the job, and by whom.
	Put time.Time
	By  string
}

// Fitting is one feed of an accessory: where it was fitted, and what it needs to be
// taken out again.
type Fitting struct {
	Job, ID int64
	// Accessory is what was fitted, Slot where it takes its feed, FeedSide which of the
	// slot's contacts is hot: left, right, upper, lower, or empty.
	Accessory, Slot, FeedSide string
	// OriginalFuseA is the fuse as found, AddedFuseA the accessory's own, WireMM2 the
	// cross-section of its cable; 0 is not noted.
	OriginalFuseA, AddedFuseA, WireMM2 float64
	// EarthPoint and CableRoute are in the fitter's words.
	EarthPoint, CableRoute string
	FittedBy               string
	FittedOn               string // a day, 2006-01-02, or empty
}

// FeedSides are the sides of a slot, as seen with its label upright.
func FeedSides() []string { return []string{"left", "right", "upper", "lower"} }

// What a fuse and a cable of a 12 V vehicle may have: a bolted fuse ends at 500 A, a
// battery cable at 120 mm². Common practice, no published source.
const (
	fuseMaxA   = 500
	wireMaxMM2 = 120
)

// Check returns all faults of a fitting as Faults.
func (x *Fitting) Check() error {
	var f Faults
	if x.Accessory == "" {
		f.add("Accessory", "Say what was fitted.")
	}
	f.text("Accessory", x.Accessory, JobWordMax)
	if protocol.CheckID(x.Slot) != nil {
		f.add("Slot", "A slot is named in small letters, digits and hyphens, at most 32: f18.")
	}
	if x.FeedSide != "" && !slices.Contains(FeedSides(), x.FeedSide) {
		f.add("FeedSide", "Left, right, upper or lower.")
	}
	f.within("OriginalFuseA", x.OriginalFuseA, fuseMaxA, "A")
	f.within("AddedFuseA", x.AddedFuseA, fuseMaxA, "A")
	f.within("WireMM2", x.WireMM2, wireMaxMM2, "mm²")
	f.text("EarthPoint", x.EarthPoint, JobLineMax)
	f.text("CableRoute", x.CableRoute, JobLineMax)
	f.text("FittedBy", x.FittedBy, JobWordMax)
	if _, err := time.Parse(time.DateOnly, x.FittedOn); x.FittedOn != "" && err != nil {
		f.add("FittedOn", "Year, month and day: 2006-01-31.")
	}
	return f.err()
}

func (f *Faults) within(field string, v, most float64, unit string) {
	if !(v >= 0 && v <= most) { // NaN too
		f.add(field, "More than 0 and at most %g %s, or nothing.", most, unit)
	}
}

// Code is a fault code as somebody typed it.
type Code struct {
	Job, ID int64
	Phase   Phase // before or after
	// Code is a letter and four hexadecimal digits, perhaps with a failure type
	// (SAE J2012); empty where the line began with none. Text is the rest of the line.
	Code, Text string
	At         time.Time
	By         string
}

// CodesMost is how many fault codes are kept at once.
const CodesMost = 50

// ReadCodes reads typed lines, a fault code each; what is no code is kept as text.
func ReadCodes(phase Phase, lines string) []Code {
	var out []Code
	for line := range strings.SplitSeq(lines, "\n") {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		c := Code{Phase: phase, Text: line}
		if word, rest, _ := strings.Cut(line, " "); isCode(strings.ToUpper(word)) {
			c.Code, c.Text = strings.ToUpper(word), strings.TrimSpace(rest)
		}
		out = append(out, c)
	}
	return out
}

// isCode reports whether a word has the form of a fault code: C0123, P1234-1A.
func isCode(word string) bool {
	code, kind, has := strings.Cut(word, "-")
	const hex = "0123456789ABCDEF"
	return len(code) == 5 && code[0] >= 'A' && code[0] <= 'Z' && strings.Trim(code[1:], hex) == "" &&
		(!has || len(kind) == 2 && strings.Trim(kind, hex) == "")
}

func checkCodes(codes []Code) error {
	var f Faults
	switch {
	case len(codes) == 0:
		f.add("Codes", "Type a fault code a line, or: none.")
	case len(codes) > CodesMost:
		f.add("Codes", "At most %d lines; these are %d.", CodesMost, len(codes))
	}
	for i, c := range codes {
		if !slices.Contains(CodePhases(), c.Phase) {
			f.add("Phase", "Before or after.")
			break
		}
		before := len(f)
		if f.text("Codes", c.Text, JobLineMax); len(f) > before {
			f[before].Text = fmt.Sprintf("Line %d: ", i+1) + f[before].Text
		}
	}
	return f.err()
}

// JobNote is what somebody wrote into a job.
type JobNote struct {
	Job, ID int64
	Text    string
	At      time.Time
	By      string
}

// Check returns all faults of a note as Faults.
func (n *JobNote) Check() error {
	var f Faults
	if strings.TrimSpace(n.Text) == "" {
		f.add("Text", "Write the note first.")
	}
	f.text("Text", n.Text, JobNoteMax)
	return f.err()
}
