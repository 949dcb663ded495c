// Package handbook holds published tables: fuses, wires, batteries, terminals,
// starting profiles and the limits of the trade, each value with its source.
//
// It is pure, and it looks up; it decides nothing. A value outside a table is an
// error that says what the table has, never a guess beyond its end. Where a
// table is read between its rows, the function's comment says so and why that is
// allowed.
//
// A Source says how far a value can be trusted. What is marked as from memory
// was confirmed on no page: compare it with the standard before it decides about
// anything that can hurt someone.
package handbook
