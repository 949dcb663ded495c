package judge

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Asks is what a question of an exercise asks.
type Asks string

// What is asked.
const (
	AsksBehaviour Asks = "behaviour"
	AsksFeedSide  Asks = "feed-side"
	AsksVolts     Asks = "volts"     // whether it is live in a key position, and the volts
	AsksLowest    Asks = "lowest-v"  // the lowest voltage while cranking
	AsksStaysOn   Asks = "stays-on"  // how long after key-off it goes off
	AsksFeed      Asks = "feed"      // whether it would do as a feed, and why not
	AsksFault     Asks = "fault"     // which of some slots is faulty, and how
	AsksMayProbe  Asks = "may-probe" // whether it may be probed
)

// Question is one question of an exercise.
type Question struct {
	ID   string
	Asks Asks
	// Slot is what it is about; with AsksFault there are Slots.
	Slot  string
	Slots []string
	// Sides are those that the slot has, with AsksFeedSide.
	Sides []string
	// Expected is what the box file says that the slot does, with AsksBehaviour; empty where
	// it says nothing, or a planted fault changes it.
	Expected Behaviour
	// Position is where the key is, with AsksVolts.
	Position string
	// Want is the accessory, with AsksFeed.
	Want Want
	// Marks are for a full answer. HintCosts are what its hints cost, in the order in
	// which they are given.
	Marks     float64
	HintCosts []float64
}

// Said is an answer as it was read. Nothing of it is set where it is blank.
type Said struct {
	Blank     bool
	Behaviour Behaviour
	Side      string
	// Yes answers AsksFeed and AsksMayProbe, and with AsksVolts whether it is live.
	Yes Answer
	// Ghost: it was called one, with AsksVolts.
	Ghost bool
	// Why is the reason against a feed; empty where none was given.
	Why    ReasonCode
	Volts  *float64
	After  *After
	Faulty []SlotFault // none where it says that nothing is faulty
}

// After is a time after key-off as written.
type After struct {
	S float64
	// AtOnce: no figure, but that it went off with the key.
	AtOnce bool
	// Open: it was still live then; with 0 s, it never goes off.
	Open bool
}

// SlotFault is a slot and what is wrong with it; an empty Fault was not said.
type SlotFault struct {
	Slot  string
	Fault Amiss
}

// OpenCircuit is a circuit that is interrupted.
const OpenCircuit Amiss = "open"

// Unclear is the error of an answer that could mean more than one thing, or nothing
// that is known.
type Unclear struct {
	Text string // what was written
	Ask  string // the question back, which says how to write it
}

// Error asks back.
func (e *Unclear) Error() string { return fmt.Sprintf("%q: %s", e.Text, e.Ask) }

// writtenMost is the longest answer, in bytes.
const writtenMost = 200

// unclear makes an Unclear.
func unclear(text, format string, args ...any) error {
	if len(text) > writtenMost {
		text = strings.ToValidUTF8(text[:writtenMost], "") + "…"
	}
	return &Unclear{text, fmt.Sprintf(format, args...)}
}

// Read reads what somebody wrote as the answer of a question. It never guesses: the
// error of what could mean two things is an Unclear.
func (q *Question) Read(text string) (Said, error) {
	if len(text) > writtenMost {
		return Said{}, unclear(text, "that is longer than %d characters; write the answer only", writtenMost)
	}
	words := plain(text)
	if slices.Contains([]string{"", "?", "-", "unknown", "not known", "not measured", "do not know", "don't know"}, words) {
		return Said{Blank: true}, nil
	}
	switch q.Asks {
	case AsksBehaviour:
		b, err := readBehaviour(text, words)
		return Said{Behaviour: b}, err
	case AsksFeedSide:
		side, err := readSide(text, words, q.Sides)
		return Said{Side: side}, err
	case AsksVolts:
		return readLive(text)
	case AsksLowest:
		v, err := readVolts(text)
		return Said{Volts: v}, err
	case AsksStaysOn:
		a, err := readAfter(text, words)
		return Said{After: a}, err
	case AsksFeed:
		return readFeed(text, words)
	case AsksFault:
		f, err := readFaults(text, q.Slots)
		return Said{Faulty: f}, err
	case AsksMayProbe:
		yes, _, err := readYes(text, words)
		return Said{Yes: yes}, err
	}
	return Said{}, fmt.Errorf("question %s asks %q: there is no such question", q.ID, q.Asks)
}

// plain is a text in lower case with single spaces, hyphens as spaces, and nothing
// behind its last word.
func plain(text string) string {
	if strings.TrimSpace(text) == "-" {
		return "-"
	}
	text = strings.NewReplacer("-", " ", "’", "'", "_", " ").Replace(strings.ToLower(text))
	return strings.TrimRight(strings.Join(strings.Fields(text), " "), ".!;, ")
}

// phrase is a meaning with the phrases that are accepted for it.
type phrase[T any] struct {
	means T
	said  []string
}

// meaning finds the phrase that a text is.
func meaning[T any](phrases []phrase[T], words string) (T, bool) {
	for _, p := range phrases {
		if slices.Contains(p.said, words) {
			return p.means, true
		}
	}
	var none T
	return none, false
}

// firsts lists the first phrase of each meaning.
func firsts[T any](phrases []phrase[T]) string { return strings.Join(list(phrases), ", ") }

// list are the first phrases, one of each meaning.
func list[T any](phrases []phrase[T]) (out []string) {
	for _, p := range phrases {
		out = append(out, p.said[0])
	}
	return out
}

// readYes reads a yes or a no, and what stands behind it.
func readYes(text, words string) (yes Answer, rest string, err error) {
	first, rest, _ := strings.Cut(words, " ")
	rest = without(rest, "because ", "it ", "is ")
	switch strings.TrimRight(first, ",:;.") {
	case "yes", "y":
		return Yes, rest, nil
	case "no", "n":
		return No, rest, nil
	}
	return NotKnown, "", unclear(text, "yes or no? write one of them first")
}

// without leaves out words at the beginning of a text, each once.
func without(text string, words ...string) string {
	for _, w := range words {
		text = strings.TrimPrefix(text, w)
	}
	return text
}

func readFeed(text, words string) (Said, error) {
	yes, rest, err := readYes(text, words)
	if err != nil || yes == Yes || rest == "" {
		return Said{Yes: yes}, err
	}
	why, ok := meaning(feedReasons(), rest)
	if !ok {
		return Said{}, unclear(text, "which reason is that? write no and one of: %s", firsts(feedReasons()))
	}
	return Said{Yes: No, Why: why}, nil
}

// figureAt is where a figure begins.
var figureAt = regexp.MustCompile(`[+\-−]?[.,]?\d`)

// readLive reads live, no volts or ghost, and the volts before or behind it.
func readLive(text string) (Said, error) {
	lower := strings.TrimRight(strings.ToLower(strings.TrimSpace(text)), ".")
	said, figure := lower, ""
	at := figureAt.FindStringIndex(lower)
	if at != nil {
		said, figure = lower[:at[0]], lower[at[0]:]
	}
	if said == "" { // "12.4 V, live": the decision is the last words
		for _, p := range liveWords() {
			for _, w := range p.said {
				if rest, ok := strings.CutSuffix(lower, w); ok {
					said, figure = w, rest
				}
			}
		}
	}
	seen, ok := meaning(liveWords(), plain(strings.Trim(said, " ,:;()")))
	if !ok {
		return Said{}, unclear(text, "is it live, no volts or a ghost? write one of them, then the volts, like \"live 12.4 V\"")
	}
	s := Said{Yes: seen.yes, Ghost: seen.ghost}
	if figure = strings.Trim(figure, " ,:;()"); figure == "" {
		return s, nil
	}
	v, err := readVolts(figure)
	if err != nil {
		return Said{}, err
	}
	s.Volts = v
	return s, nil
}

// readFaults reads slots with their faults: "t3 high resistance; t5 open".
func readFaults(text string, slots []string) ([]SlotFault, error) {
	if slices.Contains([]string{"none", "no fault", "nothing", "no faults", "all sound", "no slot"}, plain(text)) {
		return nil, nil
	}
	var out []SlotFault
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == ';' || r == '\n' }) {
		if strings.TrimSpace(part) == "" {
			continue
		}
		slot, rest, _ := strings.Cut(strings.ToLower(strings.TrimSpace(part)), " ")
		f := SlotFault{Slot: strings.TrimRight(slot, ":,.")}
		switch {
		case !slices.Contains(slots, f.Slot):
			return nil, unclear(text, "which slot? write one of %s and what is wrong with it, like \"%s open\", or none", strings.Join(slots, ", "), slots[0])
		case slices.ContainsFunc(out, func(x SlotFault) bool { return x.Slot == f.Slot }):
			return nil, unclear(text, "slot %s stands twice; what is wrong with it? write it once", f.Slot)
		}
		if rest = without(plain(rest), "is ", "has ", "a "); rest != "" {
			var ok bool
			if f.Fault, ok = meaning(faultWords(), rest); !ok {
				return nil, unclear(text, "what is wrong with %s? write one of: %s", f.Slot, firsts(faultWords()))
			}
		}
		out = append(out, f)
	}
	if len(out) == 0 {
		return nil, unclear(text, "which slot? write one of %s, or none", strings.Join(slots, ", "))
	}
	return out, nil
}
