// Package judge decides what measured results mean for the work: whether two key
// cycles show the same of each slot (compare.go), which slot feeds an accessory
// (feed.go), and whether a fuse box does what it should (verdict.go). The marking of an
// exercise belongs here too.
//
// It is pure: small values of its own in, findings out; no clock, file, lock or
// goroutine. It refuses to conclude from what was not measured: "cannot be compared" is
// an answer of its own and never a difference.
package judge
