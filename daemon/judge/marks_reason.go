package judge

// MarkCode says why an answer got what it got.
type MarkCode string

// The reasons of a mark.
const (
	Right     MarkCode = "right"
	Blank     MarkCode = "blank"
	Wrong     MarkCode = "wrong"
	Near      MarkCode = "near"      // outside what is right, by no more than as much again
	LowerSeen MarkCode = "lower"     // right, though the declared meter cannot have shown it
	OneFace   MarkCode = "one-face"  // what the slot shows at times
	Related   MarkCode = "related"   // switched by the key as well, in other positions
	TooShort  MarkCode = "too-short" // true, but not watched to the end
	// NoReason: decided right, with no reason or another; NoFigure: without the volts, or
	// with others.
	NoReason MarkCode = "no-reason"
	NoFigure MarkCode = "no-figure"
	Drawback MarkCode = "drawback" // would do, and its drawback was not named
	SlotOnly MarkCode = "some"     // some of the faulty slots, or not what is wrong
	TooWary  MarkCode = "too-wary" // it may be probed
	Unsafe   MarkCode = "unsafe"   // it must not be touched

	// The reasons of what is not marked.
	NotMeasuredHere MarkCode = "not-measured"
	LeftOpen        MarkCode = "left-open"     // what the bench saw allows the answer as well
	SwitchNotSeen   MarkCode = "switch-unseen" // a switch works it, and none was worked while the bench watched
	GhostFigure     MarkCode = "ghost-figure"  // the volts of a ghost are those of the meter
	NoWaveform      MarkCode = "no-waveform"   // what the meter would have shown is not known
	TooUncertain    MarkCode = "too-uncertain" // of the bench's own figure
)

// Lesson says what to do next time.
type Lesson string

// The lessons; empty where there is none.
const (
	MeterTooSlow     Lesson = "meter-too-slow"      // the declared meter cannot see the dip
	WatchTheStart    Lesson = "watch-the-start"     // that is the voltage at rest
	HoldTheLowest    Lesson = "hold-the-lowest"     // a fast meter that holds the lowest
	WhichMeter       Lesson = "which-meter"         // another meter than the declared one was used
	VisitEach        Lesson = "visit-each-position" // accessory, on, start and running, each by itself
	StartAndRun      Lesson = "start-and-run"       // measure while starting and running too
	WaitForSleep     Lesson = "wait-for-sleep"
	WorkTheSwitch    Lesson = "work-the-switch"
	MeasureTwice     Lesson = "measure-twice" // it comes and goes
	TakeTheFuseOut   Lesson = "fuse-out"
	LoadIt           Lesson = "load-it"
	ProveTestProve   Lesson = "prove-test-prove"
	WatchToTheEnd    Lesson = "watch-to-the-end"
	TimeIt           Lesson = "time-it" // with a stopwatch, from the key's click
	WriteTheVolts    Lesson = "write-the-volts"
	NameTheReason    Lesson = "name-the-reason"
	LeaveItAlone     Lesson = "leave-it-alone"
	ReadTheBoxFile   Lesson = "read-the-box-file"
	MeasureUnderLoad Lesson = "measure-under-load" // slot by slot, loaded
)
