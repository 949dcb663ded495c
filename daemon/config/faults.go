package config

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode"
)

// Fault is one thing wrong with a file.
type Fault struct {
	// Line is where, from 1: that of the key, else of the table that lacks it,
	// else the first.
	Line int
	// What is what is wrong, a semicolon, and what to do.
	What string
}

// Faults is every thing wrong with a file, by line. It is an error.
type Faults []Fault

// Error returns one fault a line.
func (f Faults) Error() string {
	var b strings.Builder
	for i, x := range f {
		if i > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "line %d: %s", x.Line, x.What)
	}
	return b.String()
}

// faults gathers what is wrong with a text.
type faults struct {
	lines *lines
	root  reflect.Type // of the file's values
	list  Faults
	// untyped holds the lines whose values could not be read: nothing else is
	// said of them.
	untyped []int
}

func (f *faults) err() error {
	f.sort()
	return f.list
}

// sort puts the faults into the order of the text.
func (f *faults) sort() {
	slices.SortStableFunc(f.list, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
}

// at notes a fault of a key in a table: "" is the top, "lead[2]" the third
// [[lead]], "lead[2].calibration" a table in it.
func (f *faults) at(table, key, format string, args ...any) {
	for i, x := range args {
		if text, ok := x.(string); ok {
			args[i] = clip(text)
		}
	}
	what := fmt.Sprintf(format, args...)
	path := table
	if key != "" {
		what = key + ": " + what
		path = strings.TrimPrefix(table+"."+key, ".")
	}
	if line := f.lines.of(path); !slices.Contains(f.untyped, line) {
		f.tell(line, what)
	}
}

// shownMax is the longest text of a file, in bytes, that a fault repeats.
const shownMax = 400

// clip shortens a text of a file for use in a fault.
func clip(text string) string {
	if len(text) <= shownMax {
		return text
	}
	return cut(text, shownMax) + "…"
}

// cut is the beginning of a text, at most so many bytes; a letter cut in two is left
// out.
func cut(text string, most int) string {
	return strings.ToValidUTF8(text[:min(len(text), most)], "")
}

// tell notes a fault of a line, with what would break the fault's own line or steer
// a terminal replaced.
func (f *faults) tell(line int, what string) {
	f.list = append(f.list, Fault{line, printable(what)})
}

// printable replaces what is no letter, figure, sign or space.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}

func (f *faults) id(table, key, id string) {
	if !isID.MatchString(id) {
		f.at(table, key, "%q is no id; use 1 to 32 of a-z, 0-9 and -", id)
	}
}

// text notes a text for people that is too long or not one line.
func (f *faults) text(table, key, text, what string) {
	if len(text) > textMax || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		f.at(table, key, "%q is no %s; write at most %d bytes of one line", text[:min(len(text), textMax)], what, textMax)
	}
}

// bound is the range a number of a file must be in.
type bound struct {
	key       string
	v, lo, hi float64
	usual     string // what to write, where there is something usual
}

// within notes every number out of its bounds; no bound holds what is not a
// number.
func (f *faults) within(table string, bounds []bound) {
	for _, x := range bounds {
		if x.v >= x.lo && x.v <= x.hi {
			continue
		}
		usual := ""
		if x.usual != "" {
			usual = ", " + x.usual
		}
		f.at(table, x.key, "%g is out of range; write %g to %g%s", x.v, x.lo, x.hi, usual)
	}
}

// oneOf notes a word that is not among the known ones and reports whether it is.
func (f *faults) oneOf(table, key, word, what string, known []string) bool {
	if slices.Contains(known, word) {
		return true
	}
	todo := nearest(word, known)
	switch {
	case todo != "":
	case len(known) == 0:
		todo = "; there is none in the file"
	case len(known) > namedMax:
		todo = fmt.Sprintf("; write one of %s, ...", strings.Join(known[:namedMax], ", "))
	default:
		todo = "; write one of " + strings.Join(known, ", ")
	}
	f.at(table, key, "%q is not %s%s", word, what, todo)
	return false
}

// namedMax is how many known words a fault lists.
const namedMax = 8

// nearest is a hint at the known name most like a wrong one; empty if none is.
func nearest(wrong string, known []string) string {
	best, least := "", min(4, 1+(len(wrong)+1)/2)
	for _, k := range known {
		if d := distance(wrong, k); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// distance is the number of letters to change, add or take away.
func distance(a, b string) int {
	if len(a) > textMax || len(b) > textMax {
		return textMax
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
