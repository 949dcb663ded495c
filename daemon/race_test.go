//go:build race

package daemon_test

// raced says that the race detector slows everything down.
const raced = true
