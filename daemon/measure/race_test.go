//go:build race

package measure_test

// isoSeeds is how many phases of the scan each starting profile is driven at:
// under the race detector, which is ten times slower, one.
const isoSeeds = 1

// stepEdges and coveredLeast: fewer, and with more left to chance.
const (
	stepEdges    = 300
	stepInstants = 1000 // clean steps held to the bounds of their instants
	coveredLeast = 0.91
)

// chaosTransactions, chaosStride and chaosStorms: some of them only.
const (
	chaosTransactions = 2000
	chaosStride       = 41
	chaosStorms       = 30
)

// parkedVehicles are parked for an hour each.
const parkedVehicles = 5
