package judge

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// score is the marks of one answer; ok is false where it was not marked.
func score(q Question, said Said, f Found, s *AnswerSheet) (got float64, ok bool) {
	q.ID, q.Marks, f.Name = "q", 4, "f01"
	if q.Slot = f.Name; q.Asks == AsksFault {
		q.Slots = []string{"f01"}
	}
	s.Given = []Given{{Question: "q", Said: said}}
	m := MarkSheet([]Question{q}, []Found{f}, s)
	return m.Got, m.NotMarked == 0
}

// someFound is a slot with everything measured, somehow.
func someFound(r *rand.Rand) Found {
	dip, before, forS := 4+r.Float64()*6, 12+r.Float64(), 0.01+r.Float64()
	plateau := dip + r.Float64()*2
	f := Found{FeedSlot: FeedSlot{Slot: Slot{
		Behaviour:   []Behaviour{Ignition, Accessory, Awake, Permanent, EngineRunning, NoVolts, StartOnly, SwitchOperated, Intermittent}[r.IntN(9)],
		StaysOn:     &Time{S: math.Exp(r.Float64()*14 - 6), US: math.Exp(r.Float64()*12 - 10), Open: r.IntN(4) == 0},
		WatchedOffS: r.Float64() * 5000,
		Lowest:      &Dip{V: dip, UV: math.Exp(r.Float64()*8 - 7), HiddenV: r.Float64(), AtOrBelow: r.IntN(5) == 0},
	}, FeedSide: []string{"left", "right"}[r.IntN(2)]},
		Levels: []Level{{"on", []Answer{Yes, No}[r.IntN(2)], before, math.Exp(r.Float64()*8 - 7)}},
		Sound:  []Answer{Yes, No}[r.IntN(2)], Fault: HighResistance,
		Wave: []Window{{0, 1, before}, {1, 1 + forS, dip}, {1 + forS, 2 + forS, plateau}, {2.001 + forS, 3 + forS, before}}}
	if r.IntN(5) == 0 {
		f.Wave = nil
	}
	if r.IntN(8) == 0 {
		f.Amiss = []Amiss{Ghost}
	}
	if r.IntN(6) == 0 {
		f.Avoid = "airbag"
	}
	return f
}

func someSheet(r *rand.Rand) *AnswerSheet {
	return &AnswerSheet{OnVehicle: r.IntN(2) == 0, Meter: Meter{ReadingsPerS: 1 + r.Float64()*5, HoldsLowest: r.IntN(2) == 0, Averages: r.IntN(3), Percent: r.Float64() * 3, Counts: 3, DigitV: 0.01}}
}

// A figure that is moved towards the truth never scores less: towards what the wire fell
// to, and towards what the meter shows at best and at worst.
func TestFiguresNearerTheTruthNeverScoreLess(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	seen := map[float64]int{}
	for range 150 {
		f, s := someFound(r), someSheet(r)
		check := func(q Question, truth, far float64, says func(float64) Said) {
			near := far + (truth-far)*r.Float64()
			a, okA := score(q, says(far), f, s)
			b, okB := score(q, says(near), f, s)
			if okA && okB && b < a {
				t.Errorf("%s: %g gets %g, %g gets %g, the truth is %g: %+v", q.Asks, far, a, near, b, truth, f)
			}
			if okB {
				seen[b]++
			}
		}
		volts := func(v float64) Said { return Said{Yes: Yes, Volts: &v} }
		shown, known := showing(s.Meter, &f)
		for _, truth := range []float64{f.Lowest.V, max(shown.LowV, f.Lowest.V), max(shown.HighV, f.Lowest.V)} {
			if known || truth == f.Lowest.V {
				check(Question{Asks: AsksLowest}, truth, max(0, truth+r.NormFloat64()*2), volts)
			}
		}
		check(Question{Asks: AsksVolts, Position: "on"}, f.Levels[0].V, max(0, f.Levels[0].V+r.NormFloat64()), volts)
		if to := f.liveAfterOff(); to != nil {
			check(Question{Asks: AsksStaysOn}, to.lo, max(0, to.lo*(1+r.NormFloat64()*0.3)+r.NormFloat64()), func(v float64) Said { return Said{After: &After{S: v}} })
		}
	}
	for _, got := range []float64{0, 2, 4} {
		if seen[got] < 20 {
			t.Errorf("%d answers got %g: too few to show anything", seen[got], got)
		}
	}
}

// A bench that knows less never turns a full answer into none: full it stays, or it is
// not marked.
func TestAnUncertainBenchNeverMarksDown(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	fulls := 0
	for range 300 {
		f, s := someFound(r), someSheet(r)
		v, after := f.Lowest.V+r.NormFloat64(), math.Abs(f.StaysOn.S*(1+r.NormFloat64()*0.2))
		level := f.Levels[0].V + r.NormFloat64()*0.3
		for _, x := range []struct {
			q    Question
			said Said
		}{
			{Question{Asks: AsksLowest}, Said{Volts: &v}},
			{Question{Asks: AsksVolts, Position: "on"}, Said{Yes: Yes, Volts: &level}},
			{Question{Asks: AsksStaysOn}, Said{After: &After{S: after}}},
			{Question{Asks: AsksStaysOn}, Said{After: &After{AtOnce: true}}},
			{Question{Asks: AsksStaysOn}, Said{After: &After{S: after, Open: true}}},
		} {
			if got, ok := score(x.q, x.said, f, s); !ok || got != 4 {
				continue
			}
			fulls++
			worse := f
			k := 1 + r.Float64()*20
			dip, stays := *f.Lowest, *f.StaysOn
			dip.UV, dip.HiddenV, stays.US = dip.UV*k, dip.HiddenV*k, stays.US*k
			worse.Lowest, worse.StaysOn, worse.Levels = &dip, &stays, []Level{f.Levels[0]}
			worse.Levels[0].UV *= k
			if got, ok := score(x.q, x.said, worse, s); ok && got < 4 {
				t.Errorf("%s: full, and %g with %g times the uncertainty: %+v", x.q.Asks, got, k, f)
			}
		}
	}
	if fulls < 200 {
		t.Errorf("%d full answers: too few to show anything", fulls)
	}
}

// someAnswers are answers of each kind.
func someAnswers(r *rand.Rand) map[Asks][]Said {
	v := r.Float64() * 14
	return map[Asks][]Said{
		AsksBehaviour: {{Behaviour: Permanent}, {Behaviour: Ignition}, {Behaviour: NoVolts}, {Behaviour: Awake}, {Behaviour: SwitchOperated}},
		AsksFeedSide:  {{Side: "left"}, {Side: "right"}},
		AsksVolts:     {{Yes: Yes}, {Yes: No}, {Yes: No, Ghost: true}, {Yes: Yes, Volts: &v}},
		AsksLowest:    {{Volts: &v}},
		AsksStaysOn:   {{After: &After{S: v}}, {After: &After{Open: true}}, {After: &After{AtOnce: true}}, {After: &After{S: v, Open: true}}},
		AsksFeed:      {{Yes: Yes}, {Yes: No}, {Yes: No, Why: WrongBehaviour}, {Yes: No, Why: OnTooLong}},
		AsksFault:     {{}, {Faulty: []SlotFault{{"f01", HighResistance}}}, {Faulty: []SlotFault{{"f01", ""}}}},
		AsksMayProbe:  {{Yes: Yes}, {Yes: No}},
	}
}

// Blank never scores, a hint never raises marks, no answer gets less than nothing or more
// than there is, and what is not marked counts nowhere.
func TestBlanksAndHints(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 40 {
		f, s := someFound(r), someSheet(r)
		f.Name = "f01"
		for asks, all := range someAnswers(r) { // each by itself
			q := Question{ID: "q", Asks: asks, Slot: "f01", Slots: []string{"f01"}, Position: "on", Want: Want{Switched: true, CurrentA: 1}, Marks: 4, HintCosts: []float64{1, 0, 2, 1}}
			for _, said := range append(all, Said{Blank: true}) {
				last := math.Inf(1)
				for hints := range 7 {
					s.Given = []Given{{"q", said, hints - 1}}
					m := MarkSheet([]Question{q}, []Found{f}, s)
					x := m.Marks[0]
					if m.Got > last || m.Got < 0 || m.Got > m.Of || m.Of != 4*float64(1-m.NotMarked) || x.Got > x.Of || (x.Result == NotMarked) != (m.NotMarked == 1) {
						t.Fatalf("%s %+v with %d hints: %+v after %g", asks, said, hints-1, m, last)
					}
					if said.Blank && (x.Got != 0 || x.Result == FullMarks || x.Result == PartMarks) {
						t.Fatalf("%s: blank gets %+v", asks, x)
					}
					last = m.Got
				}
			}
		}
	}
}

// What the bench saw, said as it is, gets full marks or is not marked, and no other
// answer more.
func TestTheTruthIsTheBestAnswer(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for range 100 {
		f, s := someFound(r), someSheet(r)
		truth := map[Asks]Said{
			AsksBehaviour: {Behaviour: f.Behaviour},
			AsksFeedSide:  {Side: f.FeedSide},
			AsksVolts:     {Yes: f.Levels[0].Live, Volts: &f.Levels[0].V},
			AsksLowest:    {Volts: &f.Lowest.V},
			AsksMayProbe:  {Yes: map[bool]Answer{true: No, false: Yes}[f.Avoid != ""]},
		}
		if to := f.liveAfterOff(); to != nil {
			truth[AsksStaysOn] = Said{After: &After{S: to.lo, Open: to.open()}}
		}
		if f.Sound == Yes {
			truth[AsksFault] = Said{}
		} else {
			truth[AsksFault] = Said{Faulty: []SlotFault{{"f01", f.Fault}}}
		}
		for asks, said := range truth { // each by itself
			q := Question{Asks: asks, Position: "on"}
			if got, ok := score(q, said, f, s); ok && got != 4 {
				t.Errorf("%s: the truth, %+v, gets %g of %+v", asks, said, got, f)
			}
		}
	}
}

// A fault more that is there, or one less that is not, never scores less.
func TestBetterFaultListsNeverScoreLess(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	slots := []string{"a", "b", "c", "d"}
	for range 2000 {
		var found []Found
		var faults []SlotFault
		for _, s := range slots {
			f := Found{FeedSlot: FeedSlot{Slot: Slot{Name: s}}, Sound: Yes}
			if r.IntN(2) == 0 {
				f.Sound, f.Fault = No, OpenCircuit
				faults = append(faults, SlotFault{s, OpenCircuit})
			}
			found = append(found, f)
		}
		var said []SlotFault
		for _, s := range slots {
			if r.IntN(2) == 0 {
				said = append(said, SlotFault{s, []Amiss{OpenCircuit, BackFed, ""}[r.IntN(3)]})
			}
		}
		q := Question{ID: "q", Asks: AsksFault, Slots: slots, Marks: 4}
		mark := func(said []SlotFault) float64 {
			return MarkSheet([]Question{q}, found, &AnswerSheet{Given: []Given{{"q", Said{Faulty: said}, 0}}}).Got
		}
		before := mark(said)
		for _, s := range slots {
			better := slices.DeleteFunc(slices.Clone(said), func(x SlotFault) bool { return x.Slot == s })
			if k := slices.IndexFunc(faults, func(x SlotFault) bool { return x.Slot == s }); k >= 0 {
				better = append(better, faults[k])
			}
			if after := mark(better); after < before {
				t.Errorf("%v gets %g, %v gets %g, there are %v", said, before, better, after, faults)
			}
		}
	}
}
