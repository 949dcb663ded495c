package protocol

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

// MaxDocumentBytes is the largest document that is sent or read: a cycle of 60
// slots with two leads each, 20 transitions and two starts on every lead.
const MaxDocumentBytes = 1 << 20

// Encode returns the document as JSON, having written Version and Kind into its
// header. It refuses what Decode would refuse.
func Encode(d Document) ([]byte, error) {
	h := d.Head()
	h.Version, h.Kind = Version, d.kind()
	if err := check(d); err != nil {
		return nil, err
	}
	b, err := plainJSON(d)
	if err != nil {
		return nil, &Error{string(h.Kind), fmt.Errorf("encode: %w", err)}
	}
	if len(b) > MaxDocumentBytes {
		return nil, &Error{string(h.Kind), fmt.Errorf("%w: %d bytes of at most %d", ErrTooLarge, len(b), MaxDocumentBytes)}
	}
	return b, nil
}

// Decode reads any document. Members it does not know are passed over. The
// error is an *Error that wraps one of the Err values; it never panics.
func Decode(payload []byte) (Document, error) {
	if len(payload) > MaxDocumentBytes {
		return nil, &Error{"document", fmt.Errorf("%w: %d bytes of at most %d", ErrTooLarge, len(payload), MaxDocumentBytes)}
	}
	head, found := front(payload)
	if !found {
		if err := json.Unmarshal(payload, &head); err != nil {
			return nil, located(err)
		}
	}
	if head.Version != Version {
		return nil, &Error{"version", fmt.Errorf("%w: %q, want %q", ErrVersion, clip(head.Version), Version)}
	}
	m, err := messageFor(head.Kind, head.Seq != nil)
	if err != nil {
		return nil, &Error{"kind", err}
	}
	d := m.empty()
	if err := json.Unmarshal(payload, d); err != nil {
		return nil, located(err)
	}
	if h := d.Head(); h.Version != head.Version || h.Kind != head.Kind {
		return nil, &Error{"kind", fmt.Errorf("%w: %q and %q", ErrKind, clip(string(head.Kind)), clip(string(h.Kind)))}
	}
	if err := check(d); err != nil {
		return nil, err
	}
	return d, nil
}

// heading is what tells how the rest of a document is to be read.
type heading struct {
	Version string
	Kind    Kind
	Seq     *int64
}

// frontMost is how far into a document its number is looked for.
const frontMost = 1024

// front reads a result's heading from the members up to its number, which benches write
// first, so that a long document need not be read twice. Where they are not all of it,
// they are no JSON by themselves, and the heading is looked for in the whole.
func front(payload []byte) (h heading, found bool) {
	const name = `,"seq":`
	start := payload[:min(len(payload), frontMost)]
	end := bytes.Index(start, []byte(name))
	if end < 0 {
		return heading{}, false
	}
	end += len(name)
	for end < len(start) && '0' <= start[end] && start[end] <= '9' {
		end++
	}
	if err := json.Unmarshal(append(slices.Clip(start[:end]), '}'), &h); err != nil || h.Version == "" || h.Kind == "" || h.Seq == nil {
		return heading{}, false
	}
	return h, true
}

// located turns an error of encoding/json into ours.
func located(err error) error {
	var syntax *json.SyntaxError
	var wrong *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return &Error{fmt.Sprintf("byte %d", syntax.Offset), fmt.Errorf("%w: %w", ErrSyntax, err)}
	case errors.As(err, &wrong):
		where := clip(wrong.Field)
		if where == "" {
			where = "document"
		}
		return &Error{where, fmt.Errorf("%w: is a %s, want a %s", ErrMember, clip(wrong.Value), wrong.Type)}
	}
	return &Error{"document", fmt.Errorf("%w: %w", ErrSyntax, err)}
}
