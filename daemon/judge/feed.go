package judge

import (
	"cmp"
	"slices"

	"keyturn/daemon/handbook"
)

// Want is what an accessory wants of a feed. One with a permanent and a switched feed
// has a want for each.
type Want struct {
	// Switched: live with the key and not when parked; else permanent.
	Switched bool
	// CurrentA is the most that it draws from this feed for longer than a moment.
	CurrentA float64
	// MinimumV is the voltage below which it stops; 0: not known.
	MinimumV float64
	// RidesThroughS is how long it goes on without volts.
	RidesThroughS float64
	// HoldUpF is a capacitor at the accessory, in farads, behind a diode so that it feeds
	// nothing else; 0: none. It helps only where MinimumV is known.
	HoldUpF float64
	// OnAfterOffMostS is the longest acceptable time on after key-off; nil: any. A
	// permanent feed has none.
	OnAfterOffMostS *float64
	// AddedType is the fuse of the added circuit, which the tap holds; empty: that of the
	// slot. AddedMostA is the largest that it takes, 0: it says none.
	AddedType  handbook.FuseType
	AddedMostA float64
}

// FeedSlot is what is known of a slot that might be the feed.
type FeedSlot struct {
	Slot
	// Avoid is why nobody may touch it, or NotInBox; empty: it may be touched.
	Avoid string
	// Network: a control unit switches it, and this bench cannot wake that.
	Network bool
	// RatingA is its fuse's rating; 0: not known. FuseType is the type, empty: not known.
	RatingA   float64
	FuseType  handbook.FuseType
	EngineBay bool
	// Expected is what the box file says that it does; empty: nothing.
	Expected Behaviour
	// FeedSide is the hot side as seen; empty: not known.
	FeedSide string
	// LoadA is what its own circuit draws, as Basis says.
	LoadA float64
	Basis LoadBasis
	// OffInStartS is how long it was without volts while cranking; nil where that was
	// not measured.
	OffInStartS *Time
	// Below is how long it was under each limit while cranking, lowest limit first.
	Below []Below
	// BeforeV is the least that it had before a start; where it took part in none what it had
	// with the key at on, and its battery where that is not known either. TroughV is the least
	// that it had while the engine turned, after the inrush, in the troughs of the compression
	// strokes. 0: not known.
	BeforeV, TroughV float64
	// Path is the resistance of its feed; nil where no test load was tried.
	Path *Path
	// Amiss are faults that were found in it.
	Amiss []Amiss
}

// NotInBox is why a slot is refused that the box file does not have.
const NotInBox = "not in the box file"

// LoadBasis says how the draw of a circuit is known.
type LoadBasis int

// The bases, from none to the best.
const (
	LoadNotKnown  LoadBasis = iota
	LoadSeen                // measured with whatever happened to be on
	LoadWorstCase           // measured with everything of the circuit switched on
	LoadTyped               // from the maker's papers, typed by a person
)

// Below is how long a feed was under a limit during one start, in seconds: at least and
// at most.
type Below struct{ LimitV, LeastS, MostS float64 }

// Amiss is a fault of a slot.
type Amiss string

// The faults that speak against a feed.
const (
	HighResistance Amiss = "high-resistance" // holds at no load, falls under the test load
	Ghost          Amiss = "ghost"           // volts without strength
	BackFed        Amiss = "back-fed"        // live on its load side, with the fuse out
	Pulsed         Amiss = "pulsed"          // switched on and off fast
	ContactLost    Amiss = "contact-lost"    // comes and goes by itself
	Blown          Amiss = "blown-fuse"      // in place, and no volts behind it
)

// Answer is yes, no, or not known.
type Answer int

// The answers.
const (
	NotKnown Answer = iota
	No
	Yes
)

// Choice is how a slot answers a want.
type Choice struct {
	Slot FeedSlot
	// Reasons are all there are, the weightiest first.
	Reasons []Reason
	// SpareA is what its fuse still has to give; meaningless where RatingA is 0.
	SpareA float64
	// AddedFuseA is the rating of the added circuit's own fuse, of AddedType; 0: none fits.
	AddedFuseA float64
	AddedType  handbook.FuseType
	// HoldUpS is how long the capacitor bridges; 0 without one, or where that is not known.
	HoldUpS float64
	// Restarts says whether the accessory would restart while cranking.
	Restarts Answer
}

// Weight is the weightiest of the reasons: whether the slot can be taken.
func (c *Choice) Weight() Weight { return c.Reasons[0].Weight }

// Fits reports whether nothing is against the slot.
func (c *Choice) Fits() bool { return c.Weight() >= Provisional }

// ChooseFeed ranks slots by how they answer a want, the best first. Every slot is in
// the answer with the reasons for and against it, also those that must not be touched:
// what is refused is refused whatever its figures.
func ChooseFeed(w Want, slots []FeedSlot) []Choice {
	out := make([]Choice, 0, len(slots))
	for _, s := range slots {
		out = append(out, choose(w, s))
	}
	slices.SortStableFunc(out, func(a, b Choice) int {
		return cmp.Or(
			-cmp.Compare(a.Weight(), b.Weight()),
			cmp.Compare(a.count(a.Weight()), b.count(b.Weight())),
			cmp.Compare(a.open(), b.open()),
			-cmp.Compare(a.SpareA, b.SpareA),
			cmp.Compare(a.Slot.Name, b.Slot.Name))
	})
	return out
}

// count is how many reasons are of a weight; of those for a slot, none.
func (c *Choice) count(w Weight) (n int) {
	for _, r := range c.Reasons {
		if r.Weight == w && w < Speaks {
			n++
		}
	}
	return n
}

// open is how much is still to be proved; of what cannot be taken anyway, nothing.
func (c *Choice) open() int {
	if c.Weight() == Refuses {
		return 0
	}
	return c.count(Provisional)
}

func choose(w Want, s FeedSlot) Choice {
	c := Choice{Slot: s, AddedType: cmp.Or(w.AddedType, s.FuseType)}
	if s.Avoid != "" {
		// Nothing else is said of it: no figure may tempt anybody.
		c.add(Reason{Code: Avoided, Weight: Refuses})
		return c
	}
	if s.Network {
		c.add(Reason{Code: Untestable, Weight: Refuses})
	}
	for _, a := range s.Amiss {
		c.add(Reason{Code: Faulty, Weight: Refuses, Fault: a})
	}
	c.joint()
	c.live(w)
	if s.Expected != "" && s.Behaviour != NotProven && s.Behaviour != s.Expected {
		c.add(Reason{Code: NotAsInBox, Weight: Against})
	}
	c.after(w)
	c.current(w)
	c.start(w)
	if s.FeedSide == "" {
		c.add(Reason{Code: SideNotKnown, Weight: Provisional})
	}
	if s.EngineBay {
		c.add(Reason{Code: InEngineBay, Weight: Speaks})
	}
	slices.SortStableFunc(c.Reasons, func(a, b Reason) int { return cmp.Compare(a.Weight, b.Weight) })
	return c
}

func (c *Choice) add(r Reason) { c.Reasons = append(c.Reasons, r) }

// live asks whether the slot is live when it should be.
func (c *Choice) live(w Want) {
	s := &c.Slot
	switch {
	case s.Behaviour == NotProven:
		c.add(Reason{Code: BehaviourNotProven, Weight: Against})
	case !w.Switched && s.Behaviour == Permanent:
		// Nobody can watch for ever: some circuits are cut after an hour.
		c.add(Reason{Code: PermanentWatched, Weight: provisionalBelow(s.WatchedOffS, permanentProvenS), Value: s.WatchedOffS, Limit: permanentProvenS})
	case w.Switched && slices.Contains([]Behaviour{Ignition, Accessory}, s.Behaviour):
		c.add(Reason{Code: LiveAsWanted, Weight: Speaks})
	case w.Switched && s.Behaviour == EngineRunning:
		c.add(Reason{Code: OnlyWithEngine, Weight: Provisional})
	default:
		c.add(Reason{Code: WrongBehaviour, Weight: Refuses})
	}
}

// permanentProvenS is how long a slot is watched after key-off until it is taken for
// permanent: most body electronics have gone to sleep by then (30 to 60 minutes;
// common practice, no published source).
const permanentProvenS = 3600

func provisionalBelow(v, limit float64) Weight {
	if v < limit {
		return Provisional
	}
	return Speaks
}

// after asks whether the slot goes off early enough after key-off.
func (c *Choice) after(w Want) {
	most, t := w.OnAfterOffMostS, c.Slot.StaysOn
	if !w.Switched || most == nil || t == nil {
		return
	}
	switch upper := t.S + 2*t.US; {
	case t.S-2*t.US > *most:
		c.add(Reason{Code: OnTooLong, Weight: Against, Value: t.S, Limit: *most})
	case t.Open || upper > *most:
		c.add(Reason{Code: OffNotSeen, Weight: Provisional, Value: t.S, Limit: *most})
	default:
		c.add(Reason{Code: OffInTime, Weight: Speaks, Value: t.S, Limit: *most})
	}
}
