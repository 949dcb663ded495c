//go:build !race

package daemon_test

const raced = false
