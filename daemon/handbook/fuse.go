package handbook

import (
	"fmt"
	"slices"
	"strings"
)

// FuseType is a kind of plug-in fuse. Its text is meant for files: the part and
// type of ISO 8820 where there is one.
type FuseType string

// The kinds of fuses. Trade names are not used: they belong to makers.
const (
	FuseC          FuseType = "8820-3-C"
	FuseE          FuseType = "8820-3-E"
	FuseF          FuseType = "8820-3-F"
	FuseK          FuseType = "8820-9-K"
	FuseMicroTwo   FuseType = "micro-two-blades"
	FuseMicroThree FuseType = "micro-three-blades"
	FuseTorpedo    FuseType = "72581-1"
)

// FuseDescription says which fuse a type is.
type FuseDescription struct {
	Type     FuseType
	Standard string // as it is printed
	Words    string // what one sees
	// Blades is 2 or 3; a torpedo fuse has none. Of three, the middle one feeds two
	// fuses in one body.
	Blades int
	// LengthMM is across the blades, ThicknessMM through the body, HeightMM from the
	// tips to the top. 0: not known here.
	LengthMM, ThicknessMM, HeightMM float64
	Source                          Source
}

var (
	// Sizes: thelingofpower.blogspot.com, 2007.
	bladeSizes = Source{Document: "ISO 8820-3", ReadIn: "a page on vehicle fuses, 2007 (sizes); the type letter is from memory", Standing: Published}
	// Colours: procarmanuals.com, "Fuse Color Code Chart"; 10, 15 and 20 A also
	// engineerfix.com. tonful.com calls tan 1 A, against all others.
	colourChart  = Source{Document: "SAE J1284", ReadIn: "a fuse colour chart", Standing: Published}
	colourMemory = Source{Document: "ISO 8820-3", Standing: FromMemory}
	torpedoPage  = Source{Document: "DIN 72581-1", ReadIn: "a page on vehicle fuses, 2007", Standing: Published}
)

// FuseTypes are all kinds, the most usual first.
func FuseTypes() []FuseDescription {
	memory := func(doc string) Source { return Source{Document: doc, Standing: FromMemory} }
	return []FuseDescription{
		{FuseF, "ISO 8820-3 type F", "miniature blade fuse", 2, 10.9, 3.6, 16.3, bladeSizes},
		{FuseC, "ISO 8820-3 type C", "medium blade fuse", 2, 19.1, 5.1, 18.5, bladeSizes},
		{FuseE, "ISO 8820-3 type E", "large blade fuse for high currents", 2, 29.2, 8.5, 34.3, bladeSizes},
		{FuseK, "ISO 8820-9 type K", "miniature blade fuse with shortened blades", 2, 0, 0, 0, memory("ISO 8820-9")},
		{FuseMicroTwo, "no ISO 8820 type verified", "micro blade fuse, two blades", 2, 0, 0, 0, memory("data sheets of micro blade fuses")},
		{FuseMicroThree, "no ISO 8820 type verified", "micro blade fuse, three blades: two fuses that share the middle blade", 3, 0, 0, 0, memory("data sheets of micro blade fuses")},
		{FuseTorpedo, "DIN 72581-1", "torpedo fuse of older vehicles: pointed ends, open strip", 0, 0, 0, 0, torpedoPage},
	}
}

// Describe says which fuse a type is.
func (t FuseType) Describe() (FuseDescription, error) {
	var known []string
	for _, d := range FuseTypes() {
		if d.Type == t {
			return d, nil
		}
		known = append(known, string(d.Type))
	}
	return FuseDescription{}, &NotInTable{"fuse types", fmt.Sprintf("%q", t), strings.Join(known, ", ")}
}

// FuseColour is the colour of a rating.
type FuseColour struct {
	RatingA float64
	Colour  string
	Source  Source
}

var (
	bladeColours = []FuseColour{
		{1, "black", colourMemory},
		{2, "grey", colourMemory},
		{3, "violet", colourChart},
		{4, "pink", colourChart},
		{5, "tan", colourChart},
		{7.5, "brown", colourChart},
		{10, "red", colourChart},
		{15, "blue", colourChart},
		{20, "yellow", colourChart},
		{25, "clear", colourChart},
		{30, "green", colourChart},
		{35, "blue-green", colourMemory},
		{40, "orange", colourMemory},
	}
	largeColours = []FuseColour{
		{20, "yellow", colourMemory},
		{30, "green", colourMemory},
		{40, "orange", colourChart},
		{50, "red", colourChart},
		{60, "blue", colourMemory},
		{70, "brown", colourMemory},
		{80, "clear", colourMemory},
	}
	torpedoColours = []FuseColour{
		{5, "yellow", torpedoPage},
		{8, "white", torpedoPage},
		{16, "red", torpedoPage},
		{25, "blue", torpedoPage},
	}
)

// FuseColours are the ratings that a type is made in, smallest first, with their
// colours. It is empty for types whose ratings were not verified.
//
// Miniature fuses are listed from 2 to 30 A (value from memory).
func FuseColours(t FuseType) []FuseColour {
	var rows []FuseColour
	switch t {
	case FuseC:
		rows = bladeColours
	case FuseF, FuseK:
		rows = bladeColours[1:11]
	case FuseE:
		rows = largeColours
	case FuseTorpedo:
		rows = torpedoColours
	}
	return slices.Clone(rows)
}

// ColourOfFuse is the colour of a rating.
func ColourOfFuse(t FuseType, ratingA float64) (FuseColour, error) {
	rows := FuseColours(t)
	for _, r := range rows {
		if r.RatingA == ratingA {
			return r, nil
		}
	}
	return FuseColour{}, noRating("fuse colours", t, fmt.Sprintf("%g A", ratingA), ratings(rows))
}

// FuseAtMost is the largest rating of a type that is not above a limit: for a
// wire, its ampacity.
func FuseAtMost(t FuseType, limitA float64) (FuseColour, error) {
	return largestFuse(t, fmt.Sprintf("%g A or less", limitA), func(a float64) bool { return a <= limitA })
}

// NextSmallerFuse is the next rating of a type below a rating.
func NextSmallerFuse(t FuseType, ratingA float64) (FuseColour, error) {
	return largestFuse(t, fmt.Sprintf("less than %g A", ratingA), func(a float64) bool { return a < ratingA })
}

func largestFuse(t FuseType, asked string, fits func(ratingA float64) bool) (FuseColour, error) {
	rows := FuseColours(t)
	for _, r := range slices.Backward(rows) {
		if fits(r.RatingA) {
			return r, nil
		}
	}
	return FuseColour{}, noRating("fuse ratings", t, asked, ratings(rows))
}

func ratings(rows []FuseColour) []float64 {
	var out []float64
	for _, r := range rows {
		out = append(out, r.RatingA)
	}
	return out
}

// noRating is the error of a table of ratings.
func noRating(table string, t FuseType, asked string, has []float64) error {
	d, err := t.Describe()
	if err != nil {
		return err
	}
	list := "none for this type"
	if len(has) > 0 {
		list = strings.Trim(strings.Join(strings.Fields(fmt.Sprint(has)), ", "), "[]") + " A"
	}
	return &NotInTable{table + ", " + d.Words, asked, list}
}
