// Package house holds the rules of this code base as tests: who may import whom,
// what a pure package may not do, what must be documented. It has no code of its
// own.
package house
