//go:build !race

package adc_test

// raceFactor divides nothing without the race detector.
const raceFactor = 1
