package judge

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/pelletier/go-toml/v2"

	"keyturn/daemon/handbook"
)

// handMarked is a file of answer sheets that a person marked, with what the bench found.
type handMarked struct {
	Vehicle   bool          `toml:"vehicle"`
	Meter     meterRow      `toml:"meter"`
	Want      wantRow       `toml:"want"`
	Slots     []slotRow     `toml:"slot"`
	Questions []questionRow `toml:"question"`
	Sheets    []sheetRow    `toml:"sheet"`
}

type meterRow struct {
	ReadingsPerS float64 `toml:"readings_per_s"`
	Percent      float64 `toml:"percent"`
	Counts       float64 `toml:"counts"`
	DigitV       float64 `toml:"digit_v"`
	HoldsLowest  bool    `toml:"holds_lowest"`
}

type wantRow struct {
	Switched   bool    `toml:"switched"`
	CurrentA   float64 `toml:"current_a"`
	MinimumV   float64 `toml:"minimum_v"`
	OffWithinS float64 `toml:"off_within_s"`
	AddedType  string  `toml:"added_type"`
}

type slotRow struct {
	Name       string      `toml:"name"`
	Behaviour  Behaviour   `toml:"behaviour"`
	Possible   []Behaviour `toml:"possible"`
	StaysOn    []float64   `toml:"stays_on"` // seconds, standard uncertainty
	WatchedS   float64     `toml:"watched_s"`
	OffInStart *bool       `toml:"off_in_start"`
	UnfedS     float64     `toml:"unfed_s"`
	FeedSide   string      `toml:"feed_side"`
	Avoid      string      `toml:"avoid"`
	RatingA    float64     `toml:"rating_a"`
	LoadA      float64     `toml:"load_a"`
	Amiss      []Amiss     `toml:"amiss"`
	Lowest     *struct {
		V         float64 `toml:"v"`
		UV        float64 `toml:"u_v"`
		HiddenV   float64 `toml:"hidden_v"`
		AtOrBelow bool    `toml:"at_or_below"`
	} `toml:"lowest"`
	Wave    [][]float64 `toml:"wave"`    // from, to, volts
	Profile string      `toml:"profile"` // level of ISO 16750-2
	Levels  []struct {
		Position string  `toml:"position"`
		Live     string  `toml:"live"`
		V        float64 `toml:"v"`
		UV       float64 `toml:"u_v"`
	} `toml:"level"`
	Sound string `toml:"sound"`
	Fault Amiss  `toml:"fault"`
}

type questionRow struct {
	ID       string    `toml:"id"`
	Asks     Asks      `toml:"asks"`
	Slot     string    `toml:"slot"`
	Slots    []string  `toml:"slots"`
	Sides    []string  `toml:"sides"`
	Position string    `toml:"position"`
	Marks    float64   `toml:"marks"`
	Hints    []float64 `toml:"hints"`
}

type sheetRow struct {
	Name    string      `toml:"name"`
	Meter   *meterRow   `toml:"meter"`
	Vehicle *bool       `toml:"vehicle"`
	Total   string      `toml:"total"`
	Answers []answerRow `toml:"answers"`
}

type answerRow struct {
	To     string   `toml:"to"`
	Says   string   `toml:"says"`
	Hints  int      `toml:"hints"`
	Want   string   `toml:"want"` // a result, or refused
	Got    float64  `toml:"got"`
	Code   MarkCode `toml:"code"`
	Lesson *Lesson  `toml:"lesson"`
	Danger bool     `toml:"danger"`
	Why    string   `toml:"why"`
}

func (m *meterRow) meter() Meter {
	return Meter{ReadingsPerS: m.ReadingsPerS, HoldsLowest: m.HoldsLowest, Percent: m.Percent, Counts: m.Counts, DigitV: m.DigitV}
}

func yesNo(word string) Answer { return map[string]Answer{"yes": Yes, "no": No}[word] }

func (s *slotRow) found(t *testing.T) Found {
	f := Found{FeedSlot: FeedSlot{
		Slot:  Slot{Name: s.Name, Behaviour: s.Behaviour, Possible: s.Possible, WatchedOffS: s.WatchedS, OffInStart: s.OffInStart},
		Avoid: s.Avoid, RatingA: s.RatingA, LoadA: s.LoadA, Basis: LoadWorstCase, FeedSide: s.FeedSide, Amiss: s.Amiss,
	}, Sound: yesNo(s.Sound), Fault: s.Fault}
	if len(s.StaysOn) == 2 {
		f.StaysOn = &Time{S: s.StaysOn[0], US: s.StaysOn[1]}
	}
	if s.UnfedS > 0 {
		f.OffInStartS = &Time{S: s.UnfedS}
	}
	if d := s.Lowest; d != nil {
		f.Lowest = &Dip{V: d.V, UV: d.UV, HiddenV: d.HiddenV, AtOrBelow: d.AtOrBelow}
	}
	for _, w := range s.Wave {
		f.Wave = append(f.Wave, Window{w[0], w[1], w[2]})
	}
	if s.Profile != "" {
		p, err := handbook.FindStartingProfile(s.Profile)
		if err != nil {
			t.Fatal(err)
		}
		f.Wave = waveOf(p, 5*time.Millisecond)
	}
	for _, l := range s.Levels {
		f.Levels = append(f.Levels, Level{l.Position, yesNo(l.Live), l.V, l.UV})
	}
	return f
}

func (h *handMarked) questions() (out []Question) {
	want := Want{Switched: h.Want.Switched, CurrentA: h.Want.CurrentA, MinimumV: h.Want.MinimumV, OnAfterOffMostS: &h.Want.OffWithinS, AddedType: handbook.FuseType(h.Want.AddedType)}
	for _, q := range h.Questions {
		out = append(out, Question{ID: q.ID, Asks: q.Asks, Slot: q.Slot, Slots: q.Slots, Sides: q.Sides, Position: q.Position, Want: want, Marks: q.Marks, HintCosts: q.Hints})
	}
	return out
}

func readMarked(t *testing.T, file string) *handMarked {
	t.Helper()
	r, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	h := &handMarked{}
	if err := toml.NewDecoder(r).DisallowUnknownFields().Decode(h); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return h
}

// The sheets that people marked are marked as they did.
func TestMarksAreThoseOfAPerson(t *testing.T) {
	files, err := filepath.Glob("testdata/marks/*.toml")
	if err != nil {
		t.Fatal(err)
	}
	sheets := 0
	codes, lessons := map[MarkCode]bool{}, map[Lesson]bool{}
	for _, file := range files {
		h := readMarked(t, file)
		questions := h.questions()
		var found []Found
		for i := range h.Slots {
			found = append(found, h.Slots[i].found(t))
		}
		for _, s := range h.Sheets {
			sheets++
			t.Run(filepath.Base(file)+"/"+s.Name, func(t *testing.T) {
				for _, m := range h.marked(t, &s, questions, found).Marks {
					codes[m.Code], lessons[m.Lesson] = true, true
				}
			})
		}
	}
	if sheets < 40 {
		t.Errorf("%d sheets, want 40", sheets)
	}
	for _, c := range []MarkCode{Right, Blank, Wrong, Near, LowerSeen, OneFace, Related, TooShort, NoReason, NoFigure, Drawback, SlotOnly, TooWary, Unsafe,
		NotMeasuredHere, LeftOpen, GhostFigure, NoWaveform, TooUncertain} {
		if !codes[c] {
			t.Errorf("no sheet has %s", c)
		}
	}
	for _, l := range []Lesson{MeterTooSlow, WatchTheStart, HoldTheLowest, WhichMeter, VisitEach, StartAndRun, WaitForSleep, WorkTheSwitch, MeasureTwice, TakeTheFuseOut,
		LoadIt, ProveTestProve, WatchToTheEnd, TimeIt, WriteTheVolts, NameTheReason, LeaveItAlone, ReadTheBoxFile, MeasureUnderLoad} {
		if !lessons[l] {
			t.Errorf("no sheet teaches %s", l)
		}
	}
}

// A dip between two samples of the bench counts with all that it can have added to a
// reading, worked by hand: 20 ms of a reading of 250 ms.
func TestWhatTheBenchMissedIsInWhatTheMeterShows(t *testing.T) {
	f := Found{Wave: []Window{{0, 1, 10}, {1.02, 2, 10}}}
	for _, x := range []struct {
		dip Dip
		low float64
	}{
		{Dip{V: 10}, 10},
		{Dip{V: 10, HiddenV: 3}, 10 - 3*0.02/0.25},
		{Dip{V: 10, AtOrBelow: true}, 10 - 10*0.02/0.25},
	} {
		f.Lowest = &x.dip
		if got, known := showing(Meter{ReadingsPerS: 4}, &f); !known || math.Abs(got.LowV-x.low) > 1e-9 || got.HighV != 10 {
			t.Errorf("%+v: %+v, want %g", x.dip, got, x.low)
		}
	}
}

// A slot that is a feed while cranking and a ghost with the key off has volts to be read.
func TestGhostWithTheKeyOffIsAFeedInAStart(t *testing.T) {
	v := 9.8
	f := Found{FeedSlot: FeedSlot{Slot: Slot{Behaviour: Ignition, Lowest: &Dip{V: 9.8, UV: 0.05}}, Amiss: []Amiss{Ghost}}}
	if m := lowest(&Said{Volts: &v}, &f, &AnswerSheet{}); m.Result != FullMarks {
		t.Errorf("%+v", m)
	}
	f.Behaviour = NoVolts
	if m := lowest(&Said{Volts: &v}, &f, &AnswerSheet{}); m.Code != GhostFigure {
		t.Errorf("%+v", m)
	}
}

// marked marks a sheet and compares it with the person's marks.
func (h *handMarked) marked(t *testing.T, s *sheetRow, questions []Question, found []Found) Marks {
	sheet := &AnswerSheet{Meter: h.Meter.meter(), OnVehicle: h.Vehicle}
	if s.Meter != nil {
		sheet.Meter = s.Meter.meter()
	}
	if s.Vehicle != nil {
		sheet.OnVehicle = *s.Vehicle
	}
	at := map[string]int{}
	for i := range questions {
		at[questions[i].ID] = i
	}
	for _, a := range s.Answers {
		i, there := at[a.To]
		if !there {
			t.Fatalf("there is no question %s", a.To)
		}
		said, err := questions[i].Read(a.Says)
		var u *Unclear
		if refused := a.Want == "refused"; errors.As(err, &u) != refused || refused != (err != nil) {
			t.Fatalf("%s %q: %v, marked by hand %s: %s", a.To, a.Says, err, a.Want, a.Why)
		}
		if err == nil {
			sheet.Given = append(sheet.Given, Given{a.To, said, a.Hints})
		}
	}
	got := MarkSheet(questions, found, sheet)
	for _, a := range s.Answers {
		m := got.Marks[at[a.To]]
		if a.Why == "" {
			t.Errorf("%s %q: no reasoning beside it", a.To, a.Says)
		}
		if a.Want == "refused" {
			continue
		}
		if string(m.Result) != a.Want || m.Got != a.Got || m.Danger != a.Danger || a.Code != "" && m.Code != a.Code || a.Lesson != nil && m.Lesson != *a.Lesson {
			t.Errorf("%s %q: %+v\nmarked by hand %s with %g: %s", a.To, a.Says, m, a.Want, a.Got, a.Why)
		}
	}
	if total := fmt.Sprintf("%g of %g, %d not marked", got.Got, got.Of, got.NotMarked); total != s.Total {
		t.Errorf("%s, marked by hand %s", total, s.Total)
	}
	return got
}
