// Package config turns configuration files into validated values: bytes in,
// values or a list of all faults out, each with its line and what to do.
//
// It opens no file and knows no default path. Unknown keys are faults: a typing
// error must not silently change what is measured.
package config
