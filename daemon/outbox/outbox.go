// Package outbox numbers results and keeps them: on disk before anyone hears of
// them (Store), or for as long as the process lives (Memory). A result keeps its
// number and its bytes for ever; what is delivered twice is the same twice.
//
// It knows nothing of connections: link takes from it and reports back.
package outbox

import (
	"errors"
	"time"

	"keyturn/protocol"
)

// Entry is one stored result.
type Entry struct {
	Seq     int64
	Message protocol.Message // its row of the topic table
	Payload []byte
}

// Counts is the state of an outbox.
type Counts struct {
	Last  int64 // the latest number given
	Acked int64 // the broker has acknowledged everything up to here
	// KeptFrom is the oldest result that can still be had; Last + 1 if none can.
	KeptFrom int64
	// Delivered is up to where results have arrived for good: stored by every record
	// keeper there is to be, or acknowledged by the broker where there is none.
	Delivered int64
	Dropped   int64 // results that were numbered and not kept; a gap explains each
	Waiting   int64 // results the broker has not acknowledged
	Queued    int   // results not yet on disk
	Bytes     int64 // of the results kept on disk
	// WriterIdle is how long ago what writes to the disk last turned; it does at least
	// every ten seconds, in trouble too.
	WriterIdle time.Duration
	// Trouble says why results cannot be kept at present; empty if they can.
	Trouble string
}

// ErrStopped is returned by Put when the outbox was closed, or the context ended
// while it waited for room.
var ErrStopped = errors.New("stopped while waiting for room")

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
