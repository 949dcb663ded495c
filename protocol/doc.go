// Package protocol holds what keyturn says to the outside: the topics, the
// documents sent under them, their JSON Schemas and the AsyncAPI file. Nothing
// else in the program knows a topic or a field name.
//
// The same rules hold for every document:
//
//   - Names end in their unit. A *_ns is on the monotonic clock of the
//     document's boot, as a 64-bit integer; u_* is a standard uncertainty (k = 1).
//   - A list is always there, empty rather than null. A number, word or truth
//     value that does not apply or is not known is null; only wall and
//     wall_err_ms are left out while unknown, and what says so of itself.
//   - Readers ignore members they do not know. Within v1 members are added only.
//   - A result bears stream and seq; what else a bench says by itself bears as_of.
//
// It is a leaf: standard library only. It opens no connection, measures
// nothing, judges nothing, and puts nothing into words for people.
package protocol
