package config

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Measured is what a key cycle showed of a slot, for a draft.
type Measured struct {
	Slot, Legend string
	// Behaviour is what it did, in the words of Expected or another word; Possible is
	// what remains where that was not proven.
	Behaviour string
	Possible  []string
	// StaysOnS is how long it stayed on after key-off, nil where that does not apply,
	// UStaysOnS its standard uncertainty. StaysOnOpen: it was still on when last seen.
	StaysOnS    *float64
	UStaysOnS   float64
	StaysOnOpen bool
	OffInStart  *bool // nil without a start
	Fuse        string
}

const (
	// A limit of a draft is what was measured, widened by its expanded uncertainty
	// (k = 2; JCGM 100:2008, 6.2.1) and by the larger of these margins: another box
	// of the same part, colder or warmer, is not the one that was measured (common
	// practice, no published source).
	marginPart = 0.2
	marginS    = 0.5
)

// DraftBox writes a draft of a box file from what a key cycle showed. source says where
// that is from. What nobody measured is left for a person to answer.
func DraftBox(id, source string, slots []Measured) ([]byte, error) {
	if !isID.MatchString(id) {
		return nil, fmt.Errorf("%q is no id: use 1 to 32 of a-z, 0-9 and -", clip(id))
	}
	if n := len(slots); n == 0 || n > slotsMax {
		return nil, fmt.Errorf("%d slots: a box has 1 to %d", n, slotsMax)
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, `# Draft of a box file, from %s.
# A person must now fill in, and then check with keyturn box validate:
#   at the top   datum, zone (cabin or engine-bay), highest_v, rows, columns
#   each slot    rating_a, kind, row, column, contacts, expected where it is empty, and
#                avoid: no, or %s.
#                No bench takes this file before each is answered. Answer from the maker's
#                documents, not from what was measured.
#   in the end   remove the line draft, write signed_by and signed_on
# What was measured stands above each slot. Limits are that, widened by its uncertainty
# (k = 2) and by %g %% or %g s, whichever is more (common practice, no published source).
# man 5 keyturn-box tells every key.

`, printable(source), strings.Join(avoidReasons(), ", "), 100*marginPart, marginS)
	text, err := (&Box{ID: id, Draft: true}).TOML()
	if err != nil {
		return nil, err
	}
	out.Write(text)
	for i := range slots {
		m := &slots[i]
		text, err := toml.Marshal(struct {
			Slots []BoxSlot `toml:"slot"`
		}{[]BoxSlot{m.draft()}})
		if err != nil {
			return nil, fmt.Errorf("write slot %s: %w", m.Slot, err)
		}
		fmt.Fprintf(&out, "\n# %s\n%s", printable(m.said()), text)
	}
	if _, _, err := ParseBox(out.Bytes()); err != nil {
		return nil, fmt.Errorf("the key cycle makes no draft:\n%w", err)
	}
	return out.Bytes(), nil
}

// draft is the slot as far as it was measured.
func (m *Measured) draft() BoxSlot {
	s := BoxSlot{ID: m.Slot, Legend: cut(printable(m.Legend), textMax), Avoid: AvoidUnknown}
	if !slices.Contains(behaviours(), m.Behaviour) {
		return s
	}
	s.Expected = m.Behaviour
	if m.StaysOnS != nil && !timeless(s.Expected) {
		s.StaysOnMinS, s.StaysOnMaxS = m.stays()
	}
	if m.OffInStart != nil && !startless(s.Expected) {
		s.OffInStart = m.OffInStart
	}
	return s
}

// stays is how long it may stay on after key-off; without an upper bound where it was
// still on.
func (m *Measured) stays() (least float64, most *float64) {
	margin := 2*m.UStaysOnS + max(marginPart**m.StaysOnS, marginS)
	least = min(max(0, math.Floor(1e3*(*m.StaysOnS-margin))/1e3), staysOnMaxS)
	if !m.StaysOnOpen {
		v := min(max(0.001, math.Ceil(1e3*(*m.StaysOnS+margin))/1e3), staysOnMaxS)
		most = &v
	}
	return least, most
}

// said is what was measured, in a sentence.
func (m *Measured) said() string {
	text := "measured: " + m.Behaviour
	if len(m.Possible) > 0 {
		text += ", possible are " + strings.Join(m.Possible, ", ")
	}
	if m.StaysOnS != nil {
		if m.StaysOnOpen {
			text += fmt.Sprintf(", still on %.3f s after key-off", *m.StaysOnS)
		} else {
			text += fmt.Sprintf(", on for %.3f s after key-off (k = 2: %.3f s)", *m.StaysOnS, 2*m.UStaysOnS)
		}
	}
	if m.OffInStart != nil {
		text += map[bool]string{true: ", off while cranking", false: ", not off while cranking"}[*m.OffInStart]
	}
	if m.Fuse != "" {
		text += ", fuse " + m.Fuse
	}
	return text
}
