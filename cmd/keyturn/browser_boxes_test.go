package main

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"strings"

	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// The tests of a box of which pages are shown: one over, one in which the second round comes
// next, and one that nothing was measured for.
const (
	testOver  = "t-parcel-1"
	testOpen  = "t-parcel-2"
	testFirst = "t-parcel-3"
)

// testBoxes puts tests of a box into the records as a bench would publish them, judged by
// key cycles of the first bench.
func (s *site) testBoxes() {
	s.t.Helper()
	const file = "../../testdata/boxes/parcel-12.toml"
	text, err := os.ReadFile(file)
	if err != nil {
		s.t.Fatal(err)
	}
	box, err := finishedBox(file, "what each slot should do")
	if err != nil {
		s.t.Fatal(err)
	}
	bench, id, _ := strings.Cut(strings.TrimPrefix(s.cycles[0], "/cycle/"), "/")
	c, err := s.records.Cycle(s.t.Context(), bench, id)
	if err != nil {
		s.t.Fatal(err)
	}
	slots, err := evidence.BoxSlots([]*protocol.Cycle{c}, &box, false)
	if err != nil {
		s.t.Fatal(err)
	}
	l := judge.DefaultLimits()
	l.LeftOut = []judge.Check{judge.CheckContact, judge.CheckSides}
	sum := sha256.Sum256(text)
	var payloads [][]byte
	for seq, id := range []string{testOver, testOpen, testFirst} {
		if id == testFirst {
			for i := range slots {
				slots[i].Rounds = nil
			}
		}
		b := judge.JudgeBox(l, slots)
		v := &protocol.Verdict{ResultHeader: protocol.ResultHeader{Header: c.Header, Stream: "boxes", Seq: int64(seq + 1), BenchRev: c.BenchRev},
			ID: id, Revision: 1, BoxFileHash: hex.EncodeToString(sum[:]), Job: "2", Rounds: 3, Cycles: protocol.List[string]{c.ID}}
		switch id {
		case testOver:
			v.Final, v.Rounds = true, 1
		case testOpen:
			v.Supersedes, v.Revision, v.Round = testOver, 2, round(2)
		case testFirst:
			v.Cycles, v.Round = nil, round(1)
		}
		evidence.Judge(v, &b, slots, &box)
		payload, err := protocol.Encode(v)
		if err != nil {
			s.t.Fatal(err)
		}
		payloads = append(payloads, payload)
	}
	if a, err := s.records.Add(s.t.Context(), payloads...); err != nil || a.New != len(payloads) {
		s.t.Fatalf("%+v, %v", a, err)
	}
}

// round is a round in which a lead is moved, a fuse is pulled, a switch is worked and the
// reference stays.
func round(n int) *protocol.VerdictRound {
	return &protocol.VerdictRound{Number: n, Leads: protocol.List[protocol.VerdictLead]{
		{Lead: "lead-05", Slot: "f01", Side: "upper", Fuse: protocol.FuseIn},
		{Lead: "lead-06", Slot: "f01", Side: "lower", Fuse: protocol.FuseIn},
		{Lead: "lead-07", Slot: "f04", Side: "upper", Fuse: protocol.FuseOut, Moved: true, Fitted: true},
		{Lead: "lead-08", Slot: "f04", Side: "lower", Fuse: protocol.FuseOut, Moved: true},
		{Lead: "lead-09", Slot: "f09", Fuse: protocol.FuseOut, Fitted: true, Switch: true}}}
}

// testPage is the page of a test of the first bench's.
func testPage(id, more string) func(*site) string {
	return func(s *site) string { return "/boxes/" + strings.Split(s.cycles[0], "/")[2] + "/" + id + more }
}
