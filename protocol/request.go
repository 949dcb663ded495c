package protocol

// Verb is what a request asks for.
type Verb string

// The verbs. None of them switches anything on.
const (
	// VerbBegin says that the key is in a position other than off, on a bench that
	// cannot see it.
	VerbBegin Verb = "begin"
	// VerbClose ends the open key cycle: the key is off and nothing more is waited for.
	VerbClose Verb = "close"
	// VerbNote writes a note into the open key cycle.
	VerbNote Verb = "note"
	// VerbReplay sends stored results again.
	VerbReplay Verb = "replay"
	// VerbIdentify asks the bench to say who and where it is.
	VerbIdentify Verb = "identify"
)

// Request asks a bench for something. Boot and MonoNS are those of the latest
// document of the bench that the asker has seen.
type Request struct {
	Header
	Verb      Verb   `json:"verb"`       // as in the topic
	Client    string `json:"client"`     // who asks; names the topic of the reply
	ID        string `json:"id"`         // a new one for each request; a repeated one is answered, not done again
	ExpiresNS int64  `json:"expires_ns"` // on the clock of Boot; later it is refused
	// Position is that of the key, for begin: accessory or on.
	Position Position `json:"position,omitempty"`
	// Note is at most NoteMax bytes, for note.
	Note string `json:"note,omitempty"`
	// Stream, FromSeq and ToSeq say what to send again, for replay.
	Stream  string `json:"stream,omitempty"`
	FromSeq int64  `json:"from_seq,omitempty"`
	ToSeq   int64  `json:"to_seq,omitempty"`
}

// NoteMax is the longest note, in bytes; RequestMax the longest request.
const (
	NoteMax    = 200
	RequestMax = 4096
)

// Reply is what became of a request.
type Reply struct {
	Header
	Client string      `json:"client"`
	ID     string      `json:"id"`
	Verb   Verb        `json:"verb"`
	Status ReplyStatus `json:"status"`
	Code   OrNull      `json:"code"`   // why it was refused, a word; null if it was done
	Reason OrNull      `json:"reason"` // the same for people
	// Software is the name and version of the program, the answer to identify.
	Software OrNull `json:"software"`
	// Count is how many results are sent again, the answer to replay.
	Count int64 `json:"count"`
}

// ReplyStatus says whether a request was done.
type ReplyStatus string

// The states of a reply.
const (
	ReplyDone    ReplyStatus = "done"
	ReplyRefused ReplyStatus = "refused"
)

// Why a request is refused.
const (
	RefusedRetained = "retained"     // requests are not to be retained
	RefusedExpired  = "expired"      // too late, or of another boot
	RefusedForm     = "form"         // not a request, or members missing
	RefusedState    = "state"        // not possible at the moment
	RefusedStream   = "stream"       // not the present stream
	RefusedBusy     = "busy"         // too many at once
	RefusedOff      = "not-possible" // this bench does not do that
)

func (*Request) kind() Kind         { return KindRequest }
func (r *Request) levels() []string { return []string{string(r.Verb)} }
func (*Reply) kind() Kind           { return KindReply }
func (r *Reply) levels() []string   { return []string{r.Client, r.ID} }
