package main

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// typed fills a command as it is typed, its name left out.
func typed(t *testing.T, command any, args ...string) error {
	t.Helper()
	k, err := kong.New(command)
	if err != nil {
		t.Fatal(err)
	}
	_, err = k.Parse(args)
	return err
}

// verdictOf runs the command as it is typed.
func verdictOf(t *testing.T, width int, args ...string) (string, error) {
	t.Helper()
	var c verdict
	if err := typed(t, &c, args...); err != nil {
		return "", err
	}
	var b bytes.Buffer
	err := c.print(&b, width)
	return b.String(), err
}

// A whole key cycle of an invented van, wide and narrow; the file is to be read.
func TestVerdictTable(t *testing.T) {
	var all strings.Builder
	for _, x := range []struct {
		name  string
		width int
		args  string
	}{
		{"what a key cycle alone can tell", 120, "--leave-out contact,sides"},
		{"narrow", 80, "--leave-out contact,sides"},
		{"nothing left out", 120, ""},
	} {
		out, err := verdictOf(t, x.width, append(strings.Fields(x.args), wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml")...)
		if err != nil {
			t.Fatal(err)
		}
		for l := range strings.Lines(out) {
			if n := len([]rune(strings.TrimRight(l, "\n"))); n > x.width {
				t.Errorf("%s: %d columns: %s", x.name, n, l)
			}
		}
		all.WriteString("# " + x.name + "\n" + out + "\n")
	}
	wantAnswers(t, "testdata/verdict.txt", all.String())
}

func TestVerdictAsJSON(t *testing.T) {
	out, err := verdictOf(t, 80, wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		Box, Outcome string
		OfTested     string `json:"of_tested"`
		Untested     int
		Tested       map[string]int
		Limits       *protocol.VerdictLimits
		Slots        []struct {
			Slot, Outcome string
			Reasons       []struct {
				Reason, Makes, Text, Unit string
				Value, Limit              *float64
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatal(err)
	}
	if v.Box != "parcel-12" || v.Outcome != "fail" || v.OfTested != "fail" || v.Untested != 1 || v.Tested["pass"] != 0 || v.Limits == nil || v.Limits.ContactPassMOhm != 30 || len(v.Slots) != 12 {
		t.Errorf("%+v", v)
	}
	for _, s := range v.Slots {
		for _, r := range s.Reasons {
			if r.Text == "" || r.Reason == r.Text || (r.Unit == "") != (r.Value == nil) {
				t.Errorf("%s: %+v", s.Slot, r)
			}
		}
	}
}

func TestVerdictRefuses(t *testing.T) {
	whole := []string{wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml"}
	draft := put(t, "draft.toml", draftOf(t, boxDraft{oneCycle: oneCycle{Document: wholeCycle}, ID: "cabin"}))
	open, err := readCycleFile(wholeCycle)
	if err != nil {
		t.Fatal(err)
	}
	open.Final, open.Ended = false, ""
	text, err := protocol.Encode(open)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args []string
		says string
	}{
		{append(whole, "--contact-fail-mohm", "20"), "--contact-pass-mohm"},
		{append(whole, "--contact-fail-mohm", "NaN"), "--contact-fail-mohm"},
		{append(whole, "--fall-v=-1"), "--fall-v"},
		{append(whole, "--leave-out", "behaviour"), "contact"},
		{[]string{wholeCycle, "--box", draft}, "draft"},
		{[]string{wholeCycle, "--box", "../../testdata/boxes/trainer-8.toml"}, "does not have"},
		{[]string{put(t, "open.json", string(text)), "--box", "../../testdata/boxes/parcel-12.toml"}, "not final"},
		{[]string{draft, "--box", "../../testdata/boxes/parcel-12.toml"}, "draft.toml: read the key cycle"},
	} {
		if out, err := verdictOf(t, 80, x.args...); err == nil || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%v: %v, want an error that says %q\n%s", x.args, err, x.says, out)
		}
	}
}

// What is asked without options is what the judge takes as usual.
func TestVerdictTakesTheUsualLimits(t *testing.T) {
	var c verdict
	if err := typed(t, &c, wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml"); err != nil {
		t.Fatal(err)
	}
	if got, err := c.limits(); err != nil || !reflect.DeepEqual(got, judge.DefaultLimits()) {
		t.Errorf("%+v, %v, the judge's are %+v", got, err, judge.DefaultLimits())
	}
}
