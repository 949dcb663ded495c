// Package link holds the MQTT connection and is the only one that knows its
// library. A Link carries a bench's documents to the broker: retained ones with
// the latest value winning, results from the outbox in order and at least once,
// waveforms if there is room. A Subscriber reads.
//
// It neither makes nor understands documents. It keeps nothing: what must
// survive a broken connection is in the outbox.
package link
