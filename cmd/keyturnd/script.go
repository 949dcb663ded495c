package main

import (
	"fmt"
	"os"

	"keyturn/daemon/config"
	"keyturn/daemon/drive"
)

// readScript reads a script for a bench.
func readScript(name string, b config.Bench) (drive.Script, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return drive.Script{}, fmt.Errorf("read the script: %w", err)
	}
	s, err := config.ParseScript(text, b)
	if err != nil {
		return s, fmt.Errorf("script %s:\n%w", name, err)
	}
	return s, nil
}
