//go:build race

package main

// raceFactor divides the counts of statistical tests under the race detector,
// which slows them tenfold. The gate runs them once more without it.
const raceFactor = 20
