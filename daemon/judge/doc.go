// Package judge decides what measured results mean for the work: whether two key
// cycles show the same of each slot (compare.go), and which slot feeds an accessory
// (feed.go). Verdicts on a fuse box and the marking of an exercise belong here too.
//
// It is pure: small values of its own in, findings out; no clock, file, lock or
// goroutine. It refuses to conclude from what was not measured: "cannot be compared" is
// an answer of its own and never a difference.
package judge
