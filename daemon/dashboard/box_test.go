package dashboard

import (
	"crypto/sha256"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// boxTest is a test of a box of three slots: one failed, one must not be touched, and the
// third has a legend that would be a script.
func boxTest(seq int64, id string) *protocol.Verdict {
	figure := func(v float64) *protocol.Figure { f := protocol.Figure(v); return &f }
	return &protocol.Verdict{ResultHeader: protocol.ResultHeader{Header: head("bay-1", 1e9), Stream: "s-1", Seq: seq, BenchRev: "r"},
		ID: id, Revision: 1, Final: true, Box: "cabin-3", Title: "Van", BoxFileHash: strings.Repeat("0f", 32), Job: "7", Rounds: 1, Cycles: protocol.List[string]{"0123abcd-7"},
		Outcome: protocol.OutcomeFail, OfTested: protocol.OutcomeFail, Tested: protocol.VerdictCount{Fail: 1, Pass: 1}, Untested: 1, LeftOut: protocol.List[protocol.Check]{protocol.CheckSides},
		Limits: &protocol.VerdictLimits{ContactPassMOhm: 31, ContactFailMOhm: 60, ContactAboveMOhm: 20, ProbeMOhm: 50, OnWithinS: 0.1, FallV: 1},
		Slots: protocol.List[protocol.SlotVerdict]{
			{Slot: "f01", Legend: "Radio", Outcome: protocol.OutcomeFail, Place: &protocol.Place{Row: 1, Column: 1}, Rounds: protocol.List[int]{1},
				Reasons: protocol.List[protocol.VerdictReason]{{Reason: "contact", Makes: protocol.OutcomeFail, Value: figure(402.3), U: figure(12), Limit: figure(60), Unit: "mΩ"}}},
			{Slot: "f02", Legend: "Airbag unit", Outcome: protocol.OutcomeNotProven, Place: &protocol.Place{Row: 1, Column: 2},
				Reasons: protocol.List[protocol.VerdictReason]{{Reason: "avoided", Makes: protocol.OutcomeNotProven}}},
			{Slot: "f03", Legend: "<script>", Outcome: protocol.OutcomePass, Place: &protocol.Place{Row: 2, Column: 2}, Rounds: protocol.List[int]{1},
				Reasons: protocol.List[protocol.VerdictReason]{{Reason: "as-expected", Makes: protocol.OutcomePass, Behaviour: protocol.Ignition}}}}}
}

// boxPages are pages with records of tests of boxes.
func boxPages(t *testing.T, tests ...*protocol.Verdict) http.Handler {
	h, _ := boxRecords(t, tests...)
	return h
}

func boxRecords(t *testing.T, tests ...*protocol.Verdict) (http.Handler, *records.Store) {
	t.Helper()
	h, s := shopPages(t)
	for _, v := range tests {
		payload, err := protocol.Encode(v)
		if err != nil {
			t.Fatal(err)
		}
		if a, err := s.Add(t.Context(), payload); err != nil || a.New != 1 {
			t.Fatalf("%+v, %v", a, err)
		}
	}
	return h, s
}

func TestPageOfATestThatIsOver(t *testing.T) {
	again := boxTest(2, "t-2")
	again.Supersedes, again.Job = "t-1", "the blue one"
	h := boxPages(t, boxTest(1, "t-1"), again)
	doc, _ := pageAt(t, h, "/boxes/bay-1/t-1", http.StatusOK)
	text := words(doc)
	for _, want := range []string{
		"Test of box cabin-3 , Van", "over: 1 round measured", "Slots of it were tested again: see test t-2", "2 slots that this bench can test: 1 fail, 1 pass",
		"Not tested: f02 (nobody may touch it); feed side and back-feed of every slot (left out)", "402.3 mΩ", "at most 60 mΩ", "Limits: contact to 31 mΩ", "f02 not tested Airbag unit nobody may touch it",
		"f03 <script> pass live with the ignition on (15)", "by the limits of its file", "Key cycle of round 1", "Other tests by the box file cabin-3", "Job 7",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	if got := scripts(doc); got != 0 {
		t.Errorf("%d scripts on a page that does not change", got)
	}
	links := hrefs(doc)
	for _, want := range []string{"/boxes/bay-1/t-1/sheet", "/boxes/bay-1/t-1/label", "/cycle/bay-1/0123abcd-7", "/job/7", "/boxes/bay-1/t-2", "/boxes?box=cabin-3"} {
		if !slices.Contains(links, want) {
			t.Errorf("no link to %s among %v", want, links)
		}
	}
	var places []string
	for _, li := range all(doc, "li", "data-ruling") {
		places = append(places, attr(li, "data-ruling")+attr(li, "class"))
	}
	if want := []string{"none r1 c1", "untouched r1 c2", "full r2 c2"}; !slices.Equal(places, want) {
		t.Errorf("the slots lie at %q, want %q", places, want)
	}
	if _, text := pageAt(t, h, "/boxes/bay-1/t-2", http.StatusOK); !strings.Contains(text, `href="/boxes/bay-1/t-1"`) || strings.Contains(text, `href="/job/the`) {
		t.Error("the test after does not lead to the one before, or to a job without a number")
	}
}

// A key cycle leads to the tests that rest on it, and is found by what they say.
func TestCyclesLeadToTheirTests(t *testing.T) {
	h, s := boxRecords(t)
	c := keep(t, s, func(*protocol.Cycle) {})[0]
	v := boxTest(9, "t-1")
	v.Bench, v.Stream, v.Cycles = c.Bench, "boxes", protocol.List[string]{c.ID}
	payload, err := protocol.Encode(v)
	if err != nil {
		t.Fatal(err)
	}
	if a, err := s.Add(t.Context(), payload); err != nil || a.New != 1 {
		t.Fatalf("%+v, %v", a, err)
	}
	page := "/cycle/" + c.Bench + "/" + c.ID
	doc, _ := pageAt(t, h, page, http.StatusOK)
	if want := "/boxes/" + c.Bench + "/t-1"; !slices.Contains(hrefs(doc), want) {
		t.Errorf("no link to %s among %v", want, hrefs(doc))
	}
	for outcome, found := range map[string]bool{"fail": true, "marginal": false} { // each by itself
		doc, _ := pageAt(t, h, "/history?verdict="+outcome, http.StatusOK)
		if slices.Contains(hrefs(doc), page) != found || !strings.Contains(words(doc), "by the verdict of a box test: "+outcome) {
			t.Errorf("%s: found %v, want %v", outcome, !found, found)
		}
	}
	pageAt(t, h, "/history?verdict=splendid", http.StatusBadRequest)
}

func hrefs(doc *html.Node) (out []string) {
	for _, a := range all(doc, "a", "href") {
		out = append(out, attr(a, "href"))
	}
	return out
}

// While a test goes on, where the leads go comes before anything else, and what is other
// than before is said in words; the page looks by itself for what is new.
func TestTheNextRoundComesFirst(t *testing.T) {
	v := boxTest(1, "t-1")
	v.Final, v.Rounds = false, 3
	v.Round = &protocol.VerdictRound{Number: 2, Leads: protocol.List[protocol.VerdictLead]{
		{Lead: "lead-01", Slot: "f01", Side: "upper", Fuse: protocol.FuseIn},
		{Lead: "lead-03", Slot: "f03", Side: "upper", Fuse: protocol.FuseOut, Moved: true, Fitted: true},
		{Lead: "lead-04", Slot: "f03", Side: "lower", Fuse: protocol.FuseOut, Moved: true, Fitted: true},
		{Lead: "lead-05", Slot: "f04", Fuse: protocol.FuseOut, Fitted: true, Switch: true}}}
	h := boxPages(t, v)
	doc, _ := pageAt(t, h, "/boxes/bay-1/t-1", http.StatusOK)
	text, last := words(doc), 0
	for _, want := range []string{
		"in progress: round 2 of 3 comes next", "Round 2 of 3 comes next", "Key off and supply off", "Change these",
		"f03 <script> fuse out lead-03 , upper side: move it here lead-04 , lower side: move it here", "f04 fuse out : pull it lead-05 Once the key is on, close its switch; open it again after the start.",
		"Leave these as they are", "f01 Radio fuse in lead-01 , upper side", "Look again", "What it says so far",
	} {
		i := strings.Index(text, want)
		if i < last {
			t.Errorf("%q is at %d, not after %d:\n%s", want, i, last, text)
		}
		last = max(last, i)
	}
	if scripts(doc) != 1 || slices.Contains(hrefs(doc), "/boxes/bay-1/t-1/label") {
		t.Error("it does not look by itself, or has a label before it is over")
	}
	pageAt(t, h, "/boxes/bay-1/t-1/label", http.StatusConflict)
	first := boxTest(2, "t-2")
	first.Final, first.Cycles, first.Round = false, nil, &protocol.VerdictRound{Number: 1, Leads: v.Round.Leads}
	for i := range first.Slots {
		first.Slots[i].Rounds = nil
	}
	h = boxPages(t, first)
	doc, _ = pageAt(t, h, "/boxes/bay-1/t-2", http.StatusOK)
	if text := words(doc); !strings.Contains(text, "No round is measured yet") || strings.Contains(text, "so far") || strings.Contains(text, "402.3") || len(all(doc, "li", "data-ruling")) > 0 {
		t.Errorf("before the first round it says something of the box:\n%s", text)
	}
	pageAt(t, h, "/boxes/bay-1/t-2/sheet", http.StatusConflict)
	if list, _ := pageAt(t, h, "/boxes", http.StatusOK); !strings.Contains(words(list), "nothing measured yet in progress") {
		t.Errorf("before the first round the list has a verdict:\n%s", words(list))
	}
	if text := words(doc); !strings.Contains(text, "Set these") || strings.Contains(text, "move it here") || strings.Contains(text, "pull it") || strings.Contains(text, "Leave these") {
		t.Errorf("before the first round there is nothing to be moved:\n%s", text)
	}
}

func TestListOfTests(t *testing.T) {
	passed := boxTest(2, "t-2")
	passed.Box, passed.OfTested, passed.Job, passed.Tested = "engine-9", protocol.OutcomePass, "", protocol.VerdictCount{Pass: 2}
	h := boxPages(t, boxTest(1, "t-1"), passed)
	for _, x := range []struct {
		query string
		want  []string
	}{
		{"", []string{"/boxes/bay-1/t-2", "/boxes/bay-1/t-1"}}, {"?box=cabin-3", []string{"/boxes/bay-1/t-1"}}, {"?outcome=pass", []string{"/boxes/bay-1/t-2"}},
		{"?job=7", []string{"/boxes/bay-1/t-1"}}, {"?outcome=marginal", nil}, {"?before-bench=bay-1&before=t-2", []string{"/boxes/bay-1/t-1"}},
	} {
		doc, _ := pageAt(t, h, "/boxes"+x.query, http.StatusOK)
		got := slices.DeleteFunc(hrefs(doc), func(s string) bool { return !strings.HasPrefix(s, "/boxes/") })
		if !slices.Equal(got, x.want) {
			t.Errorf("%s lists %v, want %v", x.query, got, x.want)
		}
	}
	doc, _ := pageAt(t, h, "/boxes", http.StatusOK)
	for _, want := range []string{"engine-9 , Van pass 2 pass, 1 cannot be tested here over: 1 round measured bay-1", "cabin-3 , Van fail 1 fail, 1 pass, 1 cannot be tested here"} {
		if text := words(doc); !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	for path, status := range map[string]int{ // each by itself
		"/boxes?outcome=splendid": http.StatusBadRequest, "/boxes?box=No+Such": http.StatusBadRequest, "/boxes?job=x": http.StatusBadRequest,
		"/boxes?before-bench=bay-1&before=t-9": http.StatusNotFound, "/boxes?before=A": http.StatusBadRequest,
		"/boxes/bay-1/t-9": http.StatusNotFound, "/boxes/bay-1/T": http.StatusNotFound, "/boxes/bay-1/t-9/sheet": http.StatusNotFound, "/boxes/bay-1/t-9/label": http.StatusNotFound,
	} {
		pageAt(t, h, path, status)
	}
	none := newPages(t, Options{State: newState(t)})
	pageAt(t, none, "/boxes", http.StatusOK)
	pageAt(t, none, "/boxes/bay-1/t-1", http.StatusNotFound)
}

// Where the bench's clock was set a test has its time, else that of this server, and both
// say which.
func TestATestHasATime(t *testing.T) {
	set := boxTest(2, "t-2")
	set.SetWall(time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), time.Second)
	h := boxPages(t, boxTest(1, "t-1"), set)
	for path, x := range map[string]struct{ want, lacks string }{ // each by itself
		"/boxes": {"received by the server on ", "not set"}, "/boxes?before-bench=bay-1&before=t-2": {"received by the server on ", "2 Jan 2026"},
		"/boxes/bay-1/t-1/sheet": {"Tested received by the server on ", "not set"}, "/boxes/bay-1/t-2/sheet": {"Tested 2 Jan 2026, 03:04:05", "received"},
		"/boxes/bay-1/t-1": {"the bench’s clock was not set; received by the server on ", "clock not set"}, "/boxes/bay-1/t-2/label": {"2 Jan 2026, 03:04:05", "received"},
	} {
		doc, _ := pageAt(t, h, path, http.StatusOK)
		if text := words(doc); !strings.Contains(text, x.want) || strings.Contains(text, x.lacks) {
			t.Errorf("%s: want %q and not %q:\n%s", path, x.want, x.lacks, text)
		}
	}
}

// A verdict sheet says from which stored bytes it was made, and of which box file.
func TestVerdictSheetTiesPaperToRecord(t *testing.T) {
	v := boxTest(1, "t-1")
	payload, err := protocol.Encode(v)
	if err != nil {
		t.Fatal(err)
	}
	doc, _ := pageAt(t, boxPages(t, v), "/boxes/bay-1/t-1/sheet", http.StatusOK)
	sum, text := fmt.Sprintf("%x", sha256.Sum256(payload)), words(doc)
	for _, want := range []string{
		sum[0:4] + " " + sum[4:8] + " " + sum[8:12] + " " + sum[12:16], "0f0f 0f0f 0f0f 0f0f", "bench bay-1, test t-1, revision 1; result 1 of stream s-1", "402.3 mΩ",
		"Limits: contact to 31 mΩ", "Not tested: f02", "key cycle 0123abcd-7", "Airbags", "Tested by", "Checked by", "Date",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
}

// A slot without a place, or two at one, make the box a list.
func TestABoxWithoutPlacesIsAList(t *testing.T) {
	for name, change := range map[string]func(*protocol.Verdict){ // each by itself
		"no place": func(v *protocol.Verdict) { v.Slots[1].Place = nil }, "one place": func(v *protocol.Verdict) { v.Slots[1].Place = v.Slots[0].Place },
		"too wide": func(v *protocol.Verdict) { v.Slots[1].Place.Column = columnsMost + 1 }, "row 0": func(v *protocol.Verdict) { v.Slots[1].Place.Row = 0 },
	} {
		v := boxTest(1, "t-1")
		change(v)
		doc, text := pageAt(t, boxPages(t, v), "/boxes/bay-1/t-1", http.StatusOK)
		if strings.Contains(text, "placed") || len(all(doc, "li", "data-ruling")) != 3 {
			t.Errorf("%s: the box is laid out", name)
		}
	}
}

func TestLabelLeadsToTheRecord(t *testing.T) {
	h, store := boxRecords(t, boxTest(1, "t-1"))
	doc, text := pageAt(t, h, "/boxes/bay-1/t-1/label", http.StatusOK)
	for _, want := range []string{"Box cabin-3", "fail", "Job 7", "Test t-1, bench bay-1", "works on this computer only", "received by the server on "} {
		if !strings.Contains(words(doc), want) {
			t.Errorf("lacks %q:\n%s", want, words(doc))
		}
	}
	if strings.Contains(text, "http://localhost") || strings.Contains(text, "QR code") {
		t.Error("an address that leads nowhere from another machine is printed")
	}
	s := newPages(t, Options{State: newState(t), Jobs: store, Hosts: []string{"shop.example"}, Secure: true})
	b := newBrowser(s)
	b.header["Host"] = "shop.example"
	got := b.get("/boxes/bay-1/t-1/label").Body.String()
	if !strings.Contains(got, "https://shop.example/boxes/bay-1/t-1") || strings.Contains(got, "this computer only") {
		t.Errorf("the address is not that under which the server was asked:\n%s", got)
	}
	if code, err := qrCode("https://shop.example/boxes/bay-1/t-1"); err != nil || !strings.Contains(got, string(code)) {
		t.Errorf("the code is not that of the address: %v", err)
	}
}

// A text is put into the smallest symbol that holds it: bytes at level M in each version,
// and 17 + 4 modules a version, ISO/IEC 18004 (values from memory); four modules are quiet
// on every side.
func TestQRCodeIsAsLargeAsItsText(t *testing.T) {
	for i, most := range []int{14, 26, 42, 62, 84, 106, 122, 152, 180, 213} {
		for n, version := range map[int]int{most: i + 1, most + 1: i + 2} { // each by itself
			code, err := qrCode(strings.Repeat("k", n))
			side := 17 + 4*version + 8
			if err != nil || !strings.Contains(string(code), fmt.Sprintf(`viewBox="0 0 %d %d"`, side, side)) {
				t.Errorf("%d bytes are not in version %d: %v, %.120s", n, version, err, code)
			}
		}
	}
	if _, err := qrCode(strings.Repeat("k", 3000)); err == nil {
		t.Error("a text that fits in no symbol was taken")
	}
}
