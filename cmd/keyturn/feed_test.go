package main

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"

	"keyturn/daemon/report"
)

var updateAnswers = flag.Bool("update-answers", false, "write the answers of keyturn feed and verdict anew")

// wantAnswers holds what was printed to a file that is to be read.
func wantAnswers(t *testing.T, golden, got string) {
	t.Helper()
	if *updateAnswers {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the answers are\n%s\nwant\n%s", got, want)
	}
}

// feedOf runs the command as it is typed.
func feedOf(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var c feed
	if err := typed(t, &c, args...); err != nil {
		return "", err
	}
	var b bytes.Buffer
	err := c.print(t.Context(), &b, 120)
	return b.String(), err
}

// Accessories beside those of the README, each answered in six lines at most; the file is to be read.
func TestFeedAnswers(t *testing.T) {
	var all strings.Builder
	for _, accessory := range []struct{ name, args string }{
		{"a dash camera that bridges a start", "--kind switched --amps 0.8 --minimum-v 7 --rides-through-s 5 --off-within-s 5 --load f01=2.5"},
		{"a radio set that must not restart", "--kind switched --amps 4 --minimum-v 9 --load f01=3p"},
		{"a tracker, for good", "--kind permanent --amps 0.5 --minimum-v 7 --parked-ma 20 --battery-ah 70"},
		{"a cool box", "--kind permanent --amps 6 --fuse-most 10 --length-m 5 --return wire --load f03=4p"},
		{"a camera whose capacitor is just about enough", "--kind switched --amps 0.4 --minimum-v 7.5 --hold-up-uf 13000 --load f01=2.5"},
		{"a clock whose capacitor bridges a whole start", "--kind switched --amps 0.02 --minimum-v 6 --hold-up-uf 10000 --load f01=9"},
		{"a pump on a tap for a large fuse", "--kind permanent --amps 9 --fuse 8820-3-E --parked-ma 30 --battery-reserve-min 120"},
		{"a heater that no slot can feed", "--kind switched --amps 18"},
	} {
		answer, err := feedOf(t, append(strings.Fields(accessory.args), wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml")...)
		if err != nil {
			t.Fatal(accessory.name, err)
		}
		answer, _, _ = strings.Cut(answer, "\n\n")
		if lines := strings.Count(answer, "\n") + 1; lines > report.FeedLinesMost {
			t.Errorf("%s: %d lines\n%s", accessory.name, lines, answer)
		}
		all.WriteString("# " + accessory.name + "\n" + answer + "\n\n")
	}
	wantAnswers(t, "testdata/feed.txt", all.String())
}

// What the question lacks is said, and where.
func TestFeedRefuses(t *testing.T) {
	whole := []string{wholeCycle, "--box", "../../testdata/boxes/parcel-12.toml", "--kind", "switched", "--amps", "2"}
	draft := put(t, "draft.toml", draftOf(t, boxDraft{oneCycle: oneCycle{Document: wholeCycle}, ID: "cabin"}))
	for _, x := range []struct {
		args []string
		says string
	}{
		{append(whole, "--load", "f99=3"), "no slot f99"},
		{append(whole, "--load", "f01=three"), "f01=4.2"},
		{append(whole, "--load", "f01=NaN"), "f01=4.2"},
		{append(whole, "--fuse", "strip"), "8820-3-C"},
		{append(whole, "--minimum-v=-1"), "--minimum-v"},
		{append(whole, "--amps", "-2"), "--amps"},
		{append(whole, "--hold-up-uf", "4700"), "--minimum-v"},
		{append(whole, "--hold-up-uf=-1", "--minimum-v", "7"), "--hold-up-uf"},
		{append(whole, "--parked-ma", "20", "--battery-ah", "70", "--battery-reserve-min", "120"), "together"},
		{append(whole, "--parked-ma", "20", "--battery-reserve-min", "0"), "above 0"},
		{append(whole, "--parked-ma", "20", "--vehicle-ma=-3"), "--vehicle-ma"},
		{append(whole, "--minimum-v", "Inf"), "1e9"},
		{append(whole, "--length-m", "80", "--drop-v", "0.001"), "wire"},
		{append(whole, "--parked-ma", "20", "--charge", "120"), "100"},
		{[]string{wholeCycle, "--box", draft, "--kind", "switched", "--amps", "2"}, "draft"},
		{whole[1:], "key cycle"},
	} {
		if out, err := feedOf(t, x.args...); err == nil || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%v: %v, want an error that says %q\n%s", x.args, err, x.says, out)
		}
	}
}
