// Package vehicle is a seeded electrical model of an invented vehicle's fuse
// box: battery, starter, charging, key, relays, electronic switches, and the
// probe leads in its slots. It gives the exact voltage at every pin and knows
// the truth of everything that happened.
//
// It is for tests and demos. It judges nothing: what an instrument should have
// found is written down from the model's own switching, never from samples.
package vehicle
