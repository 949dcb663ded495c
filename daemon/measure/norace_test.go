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

// chaosTransactions is how many of the first transactions of a scan each meet
// every kind of fault, chaosStride apart; chaosStorms is how many storms rage.
const (
	chaosTransactions = 2000
	chaosStride       = 1
	chaosStorms       = 1000
)

// parkedVehicles are parked for an hour each.
const parkedVehicles = 40
