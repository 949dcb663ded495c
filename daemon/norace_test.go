//go:build !race

package daemon

const Raced = false
