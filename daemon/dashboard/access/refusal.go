package access

import (
	"errors"
	"net/http"
	"time"

	"keyturn/daemon/records"
)

// Refusal is a no with its reason, in whole sentences for whoever asked.
type Refusal struct {
	// Status is HTTP's.
	Status int
	Say    string
	// After is how long to wait before asking again; 0: not at all.
	After time.Duration
}

// Error is what there is to say.
func (r Refusal) Error() string { return r.Say }

// Who asks and may not, as he stands.
var (
	// ErrSignIn is of who is not signed in, or no longer.
	ErrSignIn = errors.New("not signed in")
	// ErrSetUp is of everybody while there is no user yet.
	ErrSetUp = errors.New("no user yet")
)

func invalid(say string) error { return Refusal{Status: http.StatusUnprocessableEntity, Say: say} }

// said puts what the records refuse into sentences; another error stays.
func said(err error) error {
	switch {
	case errors.Is(err, records.ErrUserKnown):
		return Refusal{Status: http.StatusConflict, Say: "There is a user of that name already."}
	case errors.Is(err, records.ErrNoUser):
		return Refusal{Status: http.StatusNotFound, Say: "There is no user of that name."}
	case errors.Is(err, records.ErrRoleEmpty):
		return Refusal{Status: http.StatusConflict, Say: "That is the last instructor, and somebody must keep the users: make another one first."}
	case errors.Is(err, records.ErrNotFirst):
		return Refusal{Status: http.StatusConflict, Say: "There are users already: ask an instructor to make you one."}
	}
	return err
}
