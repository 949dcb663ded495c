//go:build !race

package measure_test

// isoSeeds is how many phases of the scan each starting profile is driven at.
const isoSeeds = 3

// stepEdges is how many edges of each kind are timed, coveredLeast what part of
// them the stated intervals must cover.
const (
	stepEdges    = 3000
	stepInstants = 10000 // clean steps held to the bounds of their instants
	coveredLeast = 0.95
)
