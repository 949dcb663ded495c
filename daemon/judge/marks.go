package judge

import "slices"

// Found is what the bench found of a slot that a question is about.
type Found struct {
	FeedSlot
	Levels []Level
	// Wave is what its lead showed around the start whose lowest voltage is Lowest;
	// empty where that was not recorded.
	Wave []Window
	// Sound says whether it was tested for a planted fault and has none. Fault is the one
	// that was found where it is No.
	Sound Answer
	Fault Amiss
}

// Level is what a slot showed in one key position.
type Level struct {
	Position string
	Live     Answer  // a ghost is not
	V, UV    float64 // with its standard uncertainty (k = 1)
}

// Given is the answer of one question, and how many of its hints were taken.
type Given struct {
	Question string
	Said     Said
	Hints    int
}

// AnswerSheet is what an apprentice hands in.
type AnswerSheet struct {
	Given []Given
	// Meter is the one that the figures were read off.
	Meter Meter
	// OnVehicle: a vehicle's battery and engine were measured, which no two starts leave
	// alike; else a supply, which repeats itself.
	OnVehicle bool
}

// Result is what a mark is.
type Result string

// The results.
const (
	FullMarks Result = "full"
	PartMarks Result = "part"
	NoMarks   Result = "none"
	NotMarked Result = "not-marked" // the bench cannot tell: neither right nor wrong
)

// Mark is how one answer did, with the figures behind it.
type Mark struct {
	Question, Slot string
	Asks           Asks
	Result         Result
	Code           MarkCode
	Lesson         Lesson
	// Danger: what was answered could hurt somebody. The instructor speaks with the
	// apprentice before anything else is measured.
	Danger bool
	// Of is what there was to get, HintCost what the hints took, Got what is left.
	Of, HintCost, Got float64
	// Found is what the bench found where that is a word: a behaviour (also with AsksFeed),
	// a side, or with AsksVolts NoVolts or Ghost.
	Found string
	// Low and High are what was taken as right, in volts or seconds, and Allowed how far
	// outside an answer is still right. High is +Inf for what had not ended.
	Low, High, Allowed float64
	// WireV is the lowest that the wire fell to, with AsksLowest.
	WireV float64
	// Reasons are those that count most, with AsksFeed. RatingA is that of the slot's fuse,
	// Expected what the box file says that it does; 0 and empty where not known.
	Reasons  []Reason
	RatingA  float64
	Expected Behaviour
	// Faults are those that the bench found, with AsksFault.
	Faults []SlotFault
}

// Marks is a marked sheet.
type Marks struct {
	Marks []Mark // in the order of the questions
	// Got and Of leave out what could not be marked.
	Got, Of   float64
	NotMarked int
}

// partShare is what a part answer gets of a question's marks.
const partShare = 0.5

// MarkSheet marks a sheet against what the bench found. Each question of the exercise is
// in the answer; one that was not answered is blank. A hint costs the same whatever the
// answer, and no answer gets less than nothing.
func MarkSheet(questions []Question, found []Found, sheet *AnswerSheet) Marks {
	var out Marks
	for i := range questions {
		q := &questions[i]
		g := Given{Said: Said{Blank: true}}
		if k := slices.IndexFunc(sheet.Given, func(g Given) bool { return g.Question == q.ID }); k >= 0 {
			g = sheet.Given[k]
		}
		m := q.mark(&g.Said, found, sheet)
		m.Question, m.Slot, m.Asks, m.Of = q.ID, q.Slot, q.Asks, q.Marks
		for k := range min(g.Hints, len(q.HintCosts)) {
			m.HintCost += max(0, q.HintCosts[k])
		}
		switch m.Result {
		case FullMarks:
			m.Got = max(0, q.Marks-m.HintCost)
		case PartMarks:
			m.Got = max(0, q.Marks*partShare-m.HintCost)
		}
		if m.Result == NotMarked {
			out.NotMarked++
		} else {
			out.Got, out.Of = out.Got+m.Got, out.Of+m.Of
		}
		out.Marks = append(out.Marks, m)
	}
	return out
}

// mark marks one answer. What the bench could not measure is not marked, whatever was
// answered.
func (q *Question) mark(said *Said, found []Found, sheet *AnswerSheet) Mark {
	var f *Found
	if k := slices.IndexFunc(found, func(f Found) bool { return f.Name == q.Slot }); k >= 0 {
		f = &found[k]
	}
	if q.Asks == AsksFault {
		return q.fault(said, found)
	}
	if f == nil {
		return unmarked(NotMeasuredHere)
	}
	switch q.Asks {
	case AsksBehaviour:
		if m, ok := q.switchUnseen(said, f); ok {
			return m
		}
		return behaves(said, f)
	case AsksFeedSide:
		return feedSide(said, f)
	case AsksVolts:
		return q.volts(said, f, sheet)
	case AsksLowest:
		return lowest(said, f, sheet)
	case AsksStaysOn:
		return staysOn(said, f)
	case AsksFeed:
		return q.feed(said, f)
	case AsksMayProbe:
		return mayProbe(said, f)
	}
	return unmarked(NotMeasuredHere)
}

func unmarked(c MarkCode) Mark { return Mark{Result: NotMarked, Code: c} }
func full(l Lesson) Mark       { return Mark{Result: FullMarks, Code: Right, Lesson: l} }
func part(c MarkCode, l Lesson) Mark {
	return Mark{Result: PartMarks, Code: c, Lesson: l}
}
func none(c MarkCode, l Lesson) Mark { return Mark{Result: NoMarks, Code: c, Lesson: l} }
