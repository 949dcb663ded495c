// Package records keeps every result of every bench for good, in SQL: a file on one
// machine, PostgreSQL beyond it. What arrives twice is kept once; what is missing is
// known by its number.
//
// It knows no network: whoever receives results hands them over, and gives the receipts
// that UpTo tells.
package records
