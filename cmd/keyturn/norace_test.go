//go:build !race

package main

// raceFactor divides nothing without the race detector.
const raceFactor = 1
