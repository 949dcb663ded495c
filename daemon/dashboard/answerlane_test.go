package dashboard

import (
	"net/url"
	"strings"
	"testing"

	"keyturn/daemon/records"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// What was answered is drawn where the key alone tells it, in words that claim no watch;
// what is not drawn is said.
func TestAnswersAreDrawnOrSaidNotToBe(t *testing.T) {
	x, err := readExercise(exerciseFile(t, "after-key-off", "parcel-12"))
	if err != nil {
		t.Fatal(err)
	}
	c := protocoltest.Cycle(t, "../report/testdata/whole.json")
	for said, want := range map[string]string{"permanent": "permanent (30)", "switch-operated": "", "intermittent": "", "accessory": "live from accessory on (75)"} { // each by itself
		a := &asked{exercise: x, sheet: records.AnswerSheet{Answers: []records.Answer{{Question: "lamps-do", Text: said}}}}
		with, undrawn := a.withAnswers(onlySlots(c, a.slots()))
		picture := string(drawn(with))
		if drawnIt := strings.Contains(picture, "as answered"); drawnIt != (want != "") || drawnIt == (len(undrawn) == 1) || !strings.Contains(picture, want) || strings.Contains(picture, "0.0 s watched") {
			t.Errorf("%s: drawn %v, %q", said, drawnIt, undrawn)
		}
	}
	a := &asked{exercise: x}
	if _, undrawn := a.withAnswers(c); undrawn != nil {
		t.Errorf("what was not answered is said not to be drawn: %q", undrawn)
	}
}

// Where no question asks what cranking does, the sheet has no picture of it; why the
// battery's fall was not measured is one sentence.
func TestASheetShowsNoStartsThatNobodyAskedOf(t *testing.T) {
	c := newClassroom(t)
	cara, sheet := c.begin("cara")
	cara.go303(t, sheet, url.Values{"answer-radio": {"at once"}, "answer-lamps-do": {"switch-operated"}, "do": {"hand-in"}})
	c.turn(true, 1)
	text := cara.page(t, sheet)
	has(t, "the sheet", text, "Lowest cranking", "f09 as answered: works from another switch, which the key alone does not tell; it is not drawn.")
	if strings.Contains(text, "kt-start-picture") || strings.Contains(text, ">Battery while cranking<") {
		t.Error("the start is drawn though nothing asks of it")
	}

	y := protocoltest.Cycle(t, "../report/testdata/whole.json")
	if got := fallUnmeasured(y); got != "" {
		t.Errorf("a fall that was measured: %q", got)
	}
	for i := range y.Battery.Crank {
		y.Battery.Crank[i].Sag, y.Battery.Crank[i].NotMeasured = nil, "the lead could not be seen all through the start"
	}
	if got := fallUnmeasured(y); !strings.Contains(got, "was not measured: the lead could not be seen all through the start. ") {
		t.Errorf("%q", got)
	}
	y.Battery = nil
	if got := fallUnmeasured(y); !strings.Contains(got, "no battery sense lead") {
		t.Errorf("%q", got)
	}
	y.Key = protocol.List[protocol.KeyMove](y.Key[:1])
	if got := fallUnmeasured(y); got != "" {
		t.Errorf("without a start: %q", got)
	}
}
