package measure

import "math"

// solve4 solves a·x = b for a symmetric positive matrix by Cholesky's method and
// returns a's inverse, too.
func solve4(a *[4][4]float64, b *[4]float64) (x [4]float64, inv [4][4]float64, ok bool) {
	// Scaled to a unit diagonal, for the unknowns differ by many decades.
	var d [4]float64
	for i := range 4 {
		if a[i][i] <= 0 || math.IsNaN(a[i][i]) || math.IsInf(a[i][i], 0) {
			return x, inv, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	var l [4][4]float64
	for i := range 4 {
		for j := 0; j <= i; j++ {
			s := a[i][j] * d[i] * d[j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = s / l[j][j]
				continue
			}
			if s < 1e-12 {
				return x, inv, false
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	column := func(c *[4]float64) {
		for i := range 4 {
			for k := range i {
				c[i] -= l[i][k] * c[k]
			}
			c[i] /= l[i][i]
		}
		for i := 3; i >= 0; i-- {
			for k := i + 1; k < 4; k++ {
				c[i] -= l[k][i] * c[k]
			}
			c[i] /= l[i][i]
		}
	}
	for j := range 4 {
		var e [4]float64
		e[j] = d[j]
		column(&e)
		for i := range 4 {
			inv[i][j] = e[i] * d[i]
		}
	}
	for i := range 4 {
		for j := range 4 {
			x[i] += inv[i][j] * b[j]
		}
	}
	return x, inv, true
}
