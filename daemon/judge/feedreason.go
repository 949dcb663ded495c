package judge

// Weight is how much a reason counts.
type Weight int

// The weights, the weightiest first.
const (
	Refuses     Weight = iota // not to be taken, whatever else
	Against                   // a drawback that a person may accept
	Provisional               // to be taken as far as was seen: prove the rest
	Speaks                    // for the slot, or to be known
)

// Reason is one thing that counts for a slot or against it, with the figure behind it.
type Reason struct {
	Code   ReasonCode
	Weight Weight
	// Value and Limit are what was found and what it was held to, in the code's unit;
	// 0 where it has none.
	Value, Limit float64
	// DiodeV is what the feed must have beyond the limit, for the diode of a capacitor, with
	// RestartsInStart, StartUndecided and WorksInStart.
	DiodeV float64
	// Fault is which fault, with Faulty.
	Fault Amiss
}

// ReasonCode says what a reason is.
type ReasonCode string

// The reasons. In brackets the unit of value and limit.
const (
	Avoided            ReasonCode = "avoided"       // nobody may touch it
	Untestable         ReasonCode = "needs-network" // needs the vehicle's data network
	Faulty             ReasonCode = "faulty"
	JointLoses         ReasonCode = "joint-loses"     // [V] at the fuse's rating
	JointUndecided     ReasonCode = "joint-undecided" // [V] at the fuse's rating
	NotAsInBox         ReasonCode = "not-as-in-box"
	WrongBehaviour     ReasonCode = "wrong-behaviour"
	BehaviourNotProven ReasonCode = "not-proven"
	LiveAsWanted       ReasonCode = "live-as-wanted"
	OnlyWithEngine     ReasonCode = "only-with-engine"
	PermanentWatched   ReasonCode = "permanent-watched" // [s] after key-off
	OnTooLong          ReasonCode = "on-too-long"       // [s]
	OffNotSeen         ReasonCode = "off-not-seen"      // [s]
	OffInTime          ReasonCode = "off-in-time"       // [s]
	RatingNotKnown     ReasonCode = "rating-not-known"
	TooLittleSpare     ReasonCode = "too-little-spare" // [A]
	TapFuseNotKnown    ReasonCode = "tap-fuse-not-known"
	NoFuseFits         ReasonCode = "no-fuse-fits"     // [A]: the smallest that would do, the largest allowed
	SpareKnown         ReasonCode = "spare"            // [A]: spare, wanted
	SpareProvisional   ReasonCode = "spare-at-most"    // [A]: spare, wanted
	RestartsInStart    ReasonCode = "restarts"         // [V]
	UnfedInStart       ReasonCode = "unfed-in-start"   // [s]: without volts, rides through
	BridgeUndecided    ReasonCode = "bridge-undecided" // [s]: without volts or too low (0: not known), the capacitor bridges
	OnAfterStart       ReasonCode = "on-after-start"   // live only once the engine runs
	StartNotSeen       ReasonCode = "start-not-seen"
	MinimumNotKnown    ReasonCode = "minimum-not-known"
	StartUndecided     ReasonCode = "start-undecided" // [V]: the lowest, the accessory's minimum
	WorksInStart       ReasonCode = "works-in-start"  // [V]
	RidesStart         ReasonCode = "rides-start"     // [s]: without volts or too low, rides through
	SideNotKnown       ReasonCode = "side-not-known"
	InEngineBay        ReasonCode = "engine-bay"
)
