package records

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Job ties a vehicle or a box to its key cycles and to what was fitted. It is in the
// records only: nothing of it is ever published.
type Job struct {
	// Number names it; the records give it, and never again.
	Number int64
	Kind   JobKind
	// Registration and VIN are a vehicle's; one of them is there. Mileage is in
	// MileageUnit, 0 where it was not noted.
	Registration, VIN string
	Mileage           int64
	MileageUnit       MileageUnit
	// Model and Year are the vehicle's, or that of the vehicle a box is from; 0 is no
	// year. Part is the fuse box's part number.
	Model string
	Year  int64
	Part  string
	// Serial is a box's.
	Serial string
	// Opened and Closed say when and by whom; Closed is zero while the job is open.
	Opened, Closed     time.Time
	OpenedBy, ClosedBy string
}

// JobKind is what a job is about.
type JobKind string

// The kinds of job.
const (
	VehicleJob JobKind = "vehicle"
	BoxJob     JobKind = "box"
)

// MileageUnit is what a mileage is counted in.
type MileageUnit string

// The units of a mileage.
const (
	Kilometres MileageUnit = "km"
	Miles      MileageUnit = "mi"
)

// Phase says when in a job a key cycle was measured, or a fault code read.
type Phase string

// The phases of a job: before anything was touched, with the accessory fitted, with it
// taken out again; After is the reading of fault codes at the end.
const (
	Before  Phase = "before"
	Fitted  Phase = "fitted"
	Removed Phase = "removed"
	After   Phase = "after"
)

// CyclePhases are those that a key cycle may have, in their order.
func CyclePhases() []Phase { return []Phase{Before, Fitted, Removed} }

// CodePhases are those that a fault code may have, in their order.
func CodePhases() []Phase { return []Phase{Before, After} }

// Lengths of texts, in letters.
const (
	JobWordMax = 80   // names, numbers, places
	JobLineMax = 200  // where a cable runs, what a photo shows, what a code means
	JobNoteMax = 2000 // a note
)

const (
	mileageMax         = 9_999_999
	yearLeast, yearMax = 1900, 2100
)

// Fault is what is wrong with one member of something that was to be kept.
type Fault struct{ Field, Text string }

// Faults are all that is wrong with it; nothing of it was kept.
type Faults []Fault

// Error names all of them.
func (f Faults) Error() string {
	var parts []string
	for _, x := range f {
		parts = append(parts, x.Field+": "+x.Text)
	}
	return strings.Join(parts, "; ")
}

// err is nil where there is no fault.
func (f Faults) err() error {
	if len(f) == 0 {
		return nil
	}
	return f
}

func (f *Faults) add(field, format string, args ...any) {
	*f = append(*f, Fault{field, fmt.Sprintf(format, args...)})
}

// text checks a text: not longer than it may be, nothing in it that cannot be seen. A
// note may have lines.
func (f *Faults) text(field, s string, most int) {
	switch n := utf8.RuneCountInString(s); {
	case n > most:
		f.add(field, "At most %d letters; this has %d.", most, n)
	case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.Is(unicode.C, r) && (r != '\n' || most != JobNoteMax) }):
		f.add(field, "It has letters that cannot be seen.")
	}
}

// Check returns all faults of a job as Faults, by the names of its members.
func (j *Job) Check() error {
	var f Faults
	f.text("Registration", j.Registration, JobWordMax)
	f.text("Model", j.Model, JobWordMax)
	f.text("Part", j.Part, JobWordMax)
	f.text("Serial", j.Serial, JobWordMax)
	switch j.Kind {
	case VehicleJob:
		if plain(j.Registration) == "" && j.VIN == "" {
			f.add("Registration", "Give the registration or the VIN.")
		}
		if j.Serial != "" {
			f.add("Serial", "A vehicle has no serial number here: give its VIN.")
		}
	case BoxJob:
		if plain(j.Serial) == "" {
			f.add("Serial", "Give the serial number, or the one that you have written on the box.")
		}
		if j.Registration != "" || j.VIN != "" || j.Mileage != 0 {
			f.add("Registration", "A box has neither registration nor VIN nor mileage.")
		}
	default:
		f.add("Kind", "A job is about a vehicle or a box.")
	}
	if j.VIN != "" {
		f.vin("VIN", j.VIN)
	}
	if j.Mileage < 0 || j.Mileage > mileageMax {
		f.add("Mileage", "From 0 to %d.", mileageMax)
	}
	if j.Mileage != 0 && j.MileageUnit != Kilometres && j.MileageUnit != Miles {
		f.add("MileageUnit", "Kilometres or miles.")
	}
	if j.Year != 0 && (j.Year < yearLeast || j.Year > yearMax) {
		f.add("Year", "From %d to %d.", yearLeast, yearMax)
	}
	return f.err()
}

// plain is what of a name counts when two are compared: letters and digits, upper case.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			return -1
		}
		return unicode.ToUpper(r)
	}, s)
}
