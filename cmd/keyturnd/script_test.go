package main

import (
	"errors"
	"strings"
	"testing"

	"keyturn/cmd/internal/attend"
)

const (
	drivenFile = "../../testdata/benches/driven.toml"
	scriptFile = "../../testdata/scripts/short.toml"
)

// Where nobody types and no key switch is there, no line is even opened; nor is one for
// a bench on a vehicle.
func TestScriptNeedsSomebodyAtTheBench(t *testing.T) {
	if err := run(flags{Config: drivenFile, Script: scriptFile}); !errors.Is(err, attend.ErrNoTerminal) {
		t.Errorf("without a terminal: %v", err)
	}
	if err := run(flags{Config: "../../testdata/benches/training.toml", Script: scriptFile}); err == nil || !strings.Contains(err.Error(), "the bench drives nothing") {
		t.Errorf("on a vehicle: %v", err)
	}
	if err := run(flags{Config: drivenFile, Script: drivenFile}); err == nil || !strings.Contains(err.Error(), "unknown key") {
		t.Errorf("a script that is none: %v", err)
	}
}
