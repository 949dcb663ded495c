package protocol_test

import (
	"errors"
	"testing"

	"keyturn/protocol"
)

// Marks that contradict themselves are refused by whoever writes them.
func TestMarksThatContradictThemselves(t *testing.T) {
	for where, spoil := range map[string]func(*protocol.Marks){
		"keeper":                   func(m *protocol.Marks) { m.Keeper = "The Records" },
		"sheet":                    func(m *protocol.Marks) { m.Sheet = "cara's" },
		"attempt":                  func(m *protocol.Marks) { m.Attempt = 0 },
		"revision":                 func(m *protocol.Marks) { m.Revision = 0 },
		"cycle":                    func(m *protocol.Marks) { m.Cycle = "ffff0000-1" },
		"cycle_revision":           func(m *protocol.Marks) { m.CycleRevision = 0 },
		"marks_given":              func(m *protocol.Marks) { m.MarksGiven = 9 },
		"not_marked":               func(m *protocol.Marks) { m.NotMarked = 2 },
		"questions[0].slots[0]":    func(m *protocol.Marks) { m.Questions[0].Slots[0] = "#" },
		"questions[0].reason":      func(m *protocol.Marks) { m.Questions[0].Reason = "so it is." },
		"questions[0].marked":      func(m *protocol.Marks) { m.Questions[0].Marked = false },
		"questions[1].marks_given": func(m *protocol.Marks) { m.Questions[1].MarksGiven = ptr(protocol.Points(-1)) },
		"questions[2].marked":      func(m *protocol.Marks) { m.Questions[2].Marked = true },
	} { // each by itself
		m := examples()["marks"].(*protocol.Marks)
		spoil(m)
		var e *protocol.Error
		if _, err := protocol.Encode(m); !errors.As(err, &e) || e.Where != where {
			t.Errorf("%v, want an error at %s", err, where)
		}
	}
}
