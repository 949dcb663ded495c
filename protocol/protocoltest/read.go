package protocoltest

import (
	"os"
	"testing"

	"keyturn/protocol"
)

// Cycle reads a key cycle that a test keeps in a file.
func Cycle(t testing.TB, file string) *protocol.Cycle {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	d, err := protocol.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	c, ok := d.(*protocol.Cycle)
	if !ok {
		t.Fatalf("%s holds no key cycle", file)
	}
	return c
}
