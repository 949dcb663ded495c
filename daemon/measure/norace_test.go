//go:build !race

package measure_test

// isoSeeds is how many phases of the scan each starting profile is driven at.
const isoSeeds = 3
