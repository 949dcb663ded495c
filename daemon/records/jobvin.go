package records

import "strings"

// vinLength is that of every VIN since 1981 (ISO 3779).
const vinLength = 17

// vin checks the form of a VIN: 17 capitals and digits without I, O and Q (ISO 3779).
func (f *Faults) vin(field, s string) {
	if len(s) != vinLength || strings.ContainsFunc(s, func(r rune) bool { return vinValue(r) < 0 }) {
		f.add(field, "A VIN has 17 letters and digits, without I, O and Q. An older chassis number goes into the notes.")
	}
}

// VINCheckDigit reports whether the ninth letter of a VIN is its check digit. VINs of
// North America have one (49 CFR 565.15(c)), others need not: a wrong one is a reason
// to look again and no more.
func VINCheckDigit(vin string) bool {
	if len(vin) != vinLength {
		return false
	}
	sum := 0
	for i, weight := range [vinLength]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2} {
		v := vinValue(rune(vin[i]))
		if v < 0 {
			return false
		}
		sum += v * weight
	}
	return "0123456789X"[sum%11] == vin[8]
}

// vinValue is the number that stands for a letter of a VIN (49 CFR 565.15(c), tables III
// to V: values from memory); -1 for one that no VIN has.
func vinValue(r rune) int {
	const letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
	if r >= '0' && r <= '9' {
		return int(r - '0')
	}
	if i := strings.IndexRune(letters, r); i >= 0 {
		return int("12345678123457923456789"[i] - '0')
	}
	return -1
}
