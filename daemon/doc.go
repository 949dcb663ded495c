// Package daemon joins the parts of a bench: scanners sample, the measuring core
// turns samples into events, events become documents, the outbox keeps them and
// the link carries them to the broker. Run is all of it.
//
// It decides nothing that can be measured and makes no document of its own
// accord: translate.go puts the core's events into the protocol's words. Nothing
// measured waits for the network.
package daemon
