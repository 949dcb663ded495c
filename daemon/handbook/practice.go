package handbook

// This file holds limits that the trade keeps to. No standard that was read
// prescribes them; a vehicle maker's own figure comes first.

// PracticeLimit is the most that is usual.
type PracticeLimit struct {
	What   string
	MostV  float64
	Source Source
}

var (
	// BMW E46, electrical general (manualshive p. 967), which attributes them to SAE.
	repairManual = Source{Document: "a vehicle repair manual, which names SAE", Standing: CommonPractice}
	// Saab 900 1994; Honda Accord 2001; BMW 1991.
	serviceTexts = Source{Document: "service texts of three vehicle makers", Standing: CommonPractice}
	// Cub Cadet SLTX, p. 195.
	earthManual  = Source{Document: "a machine maker's service manual", Standing: CommonPractice}
	startManual  = Source{Document: "the manual of a starting-system instrument", Standing: CommonPractice}
	threePercent = Source{Document: "a public page on volt drop: 3 % of 12 V", Standing: CommonPractice}
	// Ford QVM guideline E1106 (2004), reproduced in an ambulance builder's manual.
	builderGuide = Source{Document: "a vehicle maker's guideline for body builders, 2004", Standing: CommonPractice}
)

// VoltDropLimits are the volt drops that the trade takes as usual, under load.
func VoltDropLimits() []PracticeLimit {
	return []PracticeLimit{
		{"connection of a small wire", 0, repairManual},
		{"connection that carries much", 0.1, repairManual},
		{"cable that carries much", 0.2, repairManual},
		{"contact of a switch or solenoid", 0.3, repairManual},
		{"simple circuit, or one connector", 0.5, serviceTexts},
		{"whole circuit", 1.0, serviceTexts},
		{"earth path: good below", 0.1, earthManual},
		{"earth path: a fault above", 0.2, earthManual},
		{"starter circuit while cranking, earth side", 0.3, startManual},
		{"starter circuit while cranking, both sides together", 0.8, startManual},
		{"feed of an accessory", 0.36, threePercent},
	}
}

// AddOnShare is how much of a fuse's rating the loads of its circuit may come to,
// those added included; what is added has a fuse of its own, and wire no thinner.
type AddOnShare struct {
	Place  string
	Share  float64
	Source Source
}

// AddOnShares are the shares by where the fuse sits.
func AddOnShares() []AddOnShare {
	return []AddOnShare{
		{"passenger compartment", 0.8, builderGuide},
		{"engine compartment", 0.6, builderGuide},
	}
}

// AddOn is the share of a fuse in the engine bay, or in the cabin.
func AddOn(engineBay bool) AddOnShare {
	all := AddOnShares()
	if engineBay {
		return all[1]
	}
	return all[0]
}

// ContinuousShare is how much of its own rating a fuse carries for good at room
// temperature, as a share.
const ContinuousShare = 0.8

// ContinuousShareSource is the source of ContinuousShare.
func ContinuousShareSource() Source { return Source{Standing: CommonPractice} }

// DrawLimit is the most that a parked vehicle is usually allowed to draw.
type DrawLimit struct {
	MostMA float64
	AfterS float64 // from key-off, in seconds
	Source Source
}

// UsualDraw is the limit that the trade keeps to: 50 mA an hour after the vehicle was
// shut down. Some makers allow 30 mA; the maker's own figure comes first. Read on
// 2carpros.com and in MACS, June 2017.
func UsualDraw() DrawLimit {
	return DrawLimit{50, 3600, Source{Document: "a trade magazine of 2017 and a public repair page", Standing: CommonPractice}}
}
