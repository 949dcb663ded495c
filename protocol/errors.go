package protocol

import (
	"errors"
	"strings"
)

// What Decode, Encode and ParseTopic refuse. Each comes wrapped in an *Error
// that says where.
var (
	ErrTooLarge = errors.New("larger than a document may be")
	ErrSyntax   = errors.New("not JSON")
	ErrVersion  = errors.New("not of this version")
	ErrKind     = errors.New("not a known kind of document")
	ErrMember   = errors.New("member missing or out of place")
	ErrID       = errors.New("not an id")
	ErrTopic    = errors.New("not a topic of ours")
)

// Error says what is wrong and where.
type Error struct {
	// Where is the path of the member (slots[3].legend), the byte of a syntax
	// error, or the topic.
	Where string
	Err   error
}

// Error returns the place and the cause.
func (e *Error) Error() string { return e.Where + ": " + e.Err.Error() }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// clip shortens a text from outside for use in an error.
func clip(s string) string {
	const most = 64
	s = strings.ToValidUTF8(s, "?")
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "…" // a letter cut in two is left out
	}
	return s
}
