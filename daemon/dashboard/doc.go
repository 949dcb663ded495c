// Package dashboard shows a shop its benches in a browser: what every slot does
// now, the key cycles measured, and how the benches are.
//
// A Keeper keeps every result in the records and gives receipts; a MarksPublisher tells
// what answer sheets got. For the pages, documents come in by State.Take, in whatever way
// the caller got them, and stored key cycles by Records. Everything that a bench said is
// treated as hostile: it is cleaned, cut to a length and escaped. Pages are whole without
// scripts; a script of ours keeps them up to date over server-sent events.
//
// A state is always a shape and a word; colour only repeats it. Live is not an alarm
// and has no colour of one (IEC 60073: red is for faults, yellow for what wants a
// look).
package dashboard
