package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Fault is one thing wrong with a file.
type Fault struct {
	Line int // from 1; 0 where the file lacks something as a whole
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
		if x.Line > 0 {
			fmt.Fprintf(&b, "line %d: ", x.Line)
		}
		b.WriteString(x.What)
	}
	return b.String()
}

// faults gathers what is wrong with a text.
type faults struct {
	text   []byte
	list   Faults
	places map[place]int
}

func (f *faults) err() error {
	if len(f.list) == 0 {
		return nil
	}
	slices.SortStableFunc(f.list, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
	return f.list
}

// at notes a fault of a key in a table: "" is the top, "lead[2]" the third
// [[lead]], "lead[2].calibration" a table in it.
func (f *faults) at(table, key, format string, args ...any) {
	what := fmt.Sprintf(format, args...)
	if key != "" {
		what = key + ": " + what
	}
	f.list = append(f.list, Fault{f.line(table, key), what})
}

func (f *faults) id(table, key, id string) {
	if !isID.MatchString(id) {
		f.at(table, key, "%q is no id: 1 to 32 of a-z, 0-9 and -", id)
	}
}

// decoding notes what the decoder refused and reports whether the rest of the
// file can still be checked.
func (f *faults) decoding(err error) bool {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		for i := range strict.Errors {
			e := &strict.Errors[i]
			row, _ := e.Position()
			key := e.Key()
			f.list = append(f.list, Fault{row, fmt.Sprintf("unknown key %q%s", strings.Join(key, "."), nearest(key[len(key)-1], knownKeys(reflect.TypeFor[Bench]())))})
		}
		return true
	}
	var decode *toml.DecodeError
	if errors.As(err, &decode) {
		row, column := decode.Position()
		f.list = append(f.list, Fault{row, fmt.Sprintf("column %d: %s", column, strings.TrimPrefix(decode.Error(), "toml: "))})
		return false
	}
	f.list = append(f.list, Fault{0, strings.TrimPrefix(err.Error(), "toml: ")})
	return false
}

// knownKeys lists every key of a file, for hints.
func knownKeys(t reflect.Type) []string {
	var keys []string
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		if name == "" || name == "-" {
			continue
		}
		keys = append(keys, name)
		e := f.Type
		for e.Kind() == reflect.Slice || e.Kind() == reflect.Pointer {
			e = e.Elem()
		}
		if e.Kind() == reflect.Struct {
			keys = append(keys, knownKeys(e)...)
		}
	}
	return keys
}

var header = regexp.MustCompile(`^\s*\[+\s*([A-Za-z0-9_.-]+)\s*\]+`)

// place is a key in a table; the table's own header has the key "".
type place struct{ table, key string }

// line finds where a key stands: its own line, else that of its table's header,
// else none.
func (f *faults) line(table, key string) int {
	if f.places == nil {
		f.places = places(f.text)
	}
	if n := f.places[place{table, key}]; n > 0 {
		return n
	}
	return f.places[place{table, ""}]
}

// places finds the first line of every key and table of a text.
func places(text []byte) map[place]int {
	found := map[place]int{}
	note := func(p place, line int) {
		if found[p] == 0 {
			found[p] = line
		}
	}
	count := map[string]int{}
	current := ""
	for i, raw := range bytes.Split(text, []byte("\n")) {
		line := strings.TrimSpace(string(raw))
		if m := header.FindStringSubmatch(line); m != nil {
			name := m[1]
			dot := strings.LastIndex(name, ".")
			switch {
			case strings.HasPrefix(line, "[["):
				current = name + "[" + strconv.Itoa(count[name]) + "]"
				count[name]++
			case dot >= 0:
				current = name[:dot] + "[" + strconv.Itoa(count[name[:dot]]-1) + "]" + name[dot:]
			default:
				current = name
			}
			note(place{current, ""}, i+1)
			continue
		}
		if name, _, ok := strings.Cut(line, "="); ok {
			note(place{current, strings.Trim(strings.TrimSpace(name), `"'`)}, i+1)
		}
	}
	return found
}

// nearest is a hint at the known name most like a wrong one; empty if none is.
func nearest(wrong string, known []string) string {
	best, least := "", 4
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
