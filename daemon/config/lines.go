package config

import (
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lines knows where in a text each key and table stands. A path is written
// "limits.watch_s", or "lead[2].calibration.gain" in the third [[lead]].
type lines struct {
	first  map[string]int // the first line of a path, from 1
	keys   map[int][]key  // those that begin on a line, from the left
	counts map[string]int // of each [[table]]
	breaks []int          // offsets of the line breaks
}

// key is where a path begins on its line.
type key struct {
	path   string
	column int // in bytes, from 1
}

// pathMax is the longest path, in bytes, below which lines are still told apart:
// no known path is as long, and a hostile nesting must cost no more than its text.
const pathMax = 200

// linesOf reads a text as far as it is TOML.
func linesOf(text []byte) *lines {
	l := &lines{first: map[string]int{}, keys: map[int][]key{}, counts: map[string]int{}}
	for i, c := range text {
		if c == '\n' {
			l.breaks = append(l.breaks, i)
		}
	}
	var p unstable.Parser
	p.Reset(text)
	table := ""
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.KeyValue:
			l.keyValue(table, e)
		case unstable.Table, unstable.ArrayTable:
			table = l.note("", e, e.Kind == unstable.ArrayTable)
		}
	}
	return l
}

// of is the line of a path, else of the nearest table around it that has one,
// else the first: there the file begins to lack something.
func (l *lines) of(path string) int {
	for path != "" {
		if n := l.first[path]; n > 0 {
			return n
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
	return 1
}

// keyValue notes a key, and those in its value if that is an inline table or a
// list of them.
func (l *lines) keyValue(table string, e *unstable.Node) {
	path := l.note(table, e, false)
	value := e.Value()
	l.inline(path, value)
	if value.Kind != unstable.Array {
		return
	}
	i := 0
	for items := value.Children(); items.Next(); i++ {
		l.inline(path+"["+strconv.Itoa(i)+"]", items.Node())
	}
}

func (l *lines) inline(path string, value *unstable.Node) {
	if value.Kind != unstable.InlineTable || len(path) > pathMax {
		return
	}
	for pairs := value.Children(); pairs.Next(); {
		if pairs.Node().Kind == unstable.KeyValue {
			l.keyValue(path, pairs.Node())
		}
	}
}

// note notes the lines of a dotted key in a table and returns its path. Parts
// that name a [[table]] mean its latest entry; with entry, the last part begins
// a new one.
func (l *lines) note(table string, e *unstable.Node, entry bool) string {
	path := table
	for parts := e.Key(); parts.Next() && len(path) <= pathMax; {
		part := parts.Node()
		if path != "" {
			path += "."
		}
		path += string(part.Data)
		if entry && parts.IsLast() {
			l.counts[path]++
		}
		if n := l.counts[path]; n > 0 {
			path += "[" + strconv.Itoa(n-1) + "]"
		}
		line := l.at(int(part.Raw.Offset))
		if l.first[path] == 0 {
			l.first[path] = line
		}
		l.keys[line] = append(l.keys[line], key{path, l.column(int(part.Raw.Offset))})
	}
	return path
}

// before is the innermost path that begins on a line at or before a column: what a value
// there belongs to. Empty if none does.
func (l *lines) before(line, column int) string {
	path := ""
	for _, k := range l.keys[line] {
		if k.column <= column {
			path = k.path
		}
	}
	return path
}

// column is where an offset is on its line, in bytes from 1.
func (l *lines) column(offset int) int {
	if line := l.at(offset); line > 1 {
		return offset - l.breaks[line-2]
	}
	return offset + 1
}

// at is the line of an offset.
func (l *lines) at(offset int) int {
	n, _ := slices.BinarySearch(l.breaks, offset)
	return n + 1
}
