package handbook

import "fmt"

// point is one row of a table that is read between its rows; x rises.
type point struct{ x, y float64 }

// between reads a table on the straight line between two rows; ok is false
// outside the table and for what is no number.
func between(table []point, x float64) (y float64, ok bool) {
	if last := table[len(table)-1]; x == last.x {
		return last.y, true
	}
	for i, p := range table[:len(table)-1] {
		if q := table[i+1]; x >= p.x && x < q.x {
			return p.y + (q.y-p.y)*(x-p.x)/(q.x-p.x), true
		}
	}
	return 0, false
}

// within reads a table as between does, and at its ends beyond them.
func within(table []point, x float64) float64 {
	y, _ := between(table, min(max(x, table[0].x), table[len(table)-1].x))
	return y
}

// outside is the error of an x that a table does not reach.
func outside(name string, table []point, x float64, unit string) error {
	return &NotInTable{
		Table: name,
		Asked: fmt.Sprintf("%g %s", x, unit),
		Has:   fmt.Sprintf("%g to %g %s", table[0].x, table[len(table)-1].x, unit),
	}
}
