//go:build race

package measure_test

// isoSeeds is how many phases of the scan each starting profile is driven at:
// under the race detector, which is ten times slower, one.
const isoSeeds = 1
