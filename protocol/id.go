package protocol

import (
	"fmt"
	"strings"
)

// idMax is the longest id; it bounds the length of every topic.
const idMax = 32

// CheckID returns an ErrID unless id may name a bench, slot, lead or chip:
// [a-z0-9-]{1,32}. No free text ever gets into a topic.
func CheckID(id string) error {
	ok := len(id) >= 1 && len(id) <= idMax
	for i := 0; ok && i < len(id); i++ {
		c := id[i]
		ok = c == '-' || '0' <= c && c <= '9' || 'a' <= c && c <= 'z'
	}
	if !ok {
		return fmt.Errorf("%w: %q, want [a-z0-9-]{1,%d}", ErrID, clip(id), idMax)
	}
	return nil
}

// importPrefix begins the stream of what was imported from a recording.
const importPrefix = "import-"

// ImportStream names the numbering of what a recording shows by the hex digest of its
// content. No bench knows it: it gets no receipts.
func ImportStream(digest string) string { return importPrefix + digest[:16] }

// IsImport reports whether a numbering is that of a recording.
func IsImport(stream string) bool { return strings.HasPrefix(stream, importPrefix) }

// bootPrefix is how many hex digits of the boot a cycle's id begins with.
const bootPrefix = 8

// checkBoot accepts what a kernel's boot id looks like: 8 lower-case hex digits,
// then hex digits and hyphens.
func checkBoot(boot string) error {
	ok := len(boot) >= bootPrefix && len(boot) <= 36
	for i := 0; ok && i < len(boot); i++ {
		c := boot[i]
		ok = '0' <= c && c <= '9' || 'a' <= c && c <= 'f' || c == '-' && i >= bootPrefix
	}
	if !ok {
		return fmt.Errorf("%w: boot %q, want 8 lower-case hex digits, then hex digits and hyphens", ErrID, clip(boot))
	}
	return nil
}

// CycleID names a cycle for good: the first 8 hex digits of the boot, and the
// begin (first position other than off) in monotonic ms. The boot must be one
// that a Header may bear.
func CycleID(boot string, beginNS int64) string {
	return fmt.Sprintf("%.*s-%d", bootPrefix, boot, beginNS/1e6)
}

// TerminalOf returns the DIN 72552 terminal that a behaviour is that of; empty
// where there is none. Terminal 61 is a sign that the engine runs, not a feed.
func TerminalOf(b Behaviour) OrNull {
	switch b {
	case Permanent:
		return "30"
	case Ignition:
		return "15"
	case Accessory:
		return "75"
	case StartOnly:
		return "50"
	}
	return ""
}
