//go:build race

package daemon

// Raced says that the race detector slows everything down.
const Raced = true
