package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"keyturn/daemon/report"
)

const readme = "../../README.md"

// The README's answers are what the command prints, from the key cycle that it says: each
// in six lines of 120 columns at most.
func TestFeedAnswersInReadme(t *testing.T) {
	dir := t.TempDir()
	cycle, _, err := cycleOf(keyturn(t), dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	box, err := os.ReadFile("../../testdata/boxes/parcel-12.toml")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{"cycle.json": cycle, "box.toml": box} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(readme)
	if err != nil {
		t.Fatal(err)
	}
	got, answers := answered(t, dir, string(text))
	if answers < 5 {
		t.Errorf("%d answers", answers)
	}
	wantAnswers(t, readme, got)
}

// answered is the README with what its keyturn feed commands print below each of them.
func answered(t *testing.T, dir, text string) (out string, answers int) {
	t.Helper()
	const indent, command = "    ", "    $ keyturn feed "
	lines := strings.SplitAfter(text, "\n")
	var b strings.Builder
	for i := 0; i < len(lines); i++ {
		b.WriteString(lines[i])
		args, ok := strings.CutPrefix(lines[i], command)
		if !ok {
			continue
		}
		for strings.HasSuffix(args, "\\\n") {
			i++
			b.WriteString(lines[i])
			args = strings.TrimSuffix(args, "\\\n") + lines[i]
		}
		args = strings.NewReplacer("cycle.json", filepath.Join(dir, "cycle.json"), "box.toml", filepath.Join(dir, "box.toml")).Replace(args)
		answer, err := feedOf(t, strings.Fields(args)...)
		if err != nil {
			t.Fatalf("%s: %v", lines[i], err)
		}
		answer, _, _ = strings.Cut(answer, "\n\n")
		all := strings.Split(strings.TrimSpace(answer), "\n")
		if len(all) > report.FeedLinesMost {
			t.Errorf("%d lines:\n%s", len(all), answer)
		}
		for _, l := range all {
			b.WriteString(indent + l + "\n")
		}
		answers++
		for i+1 < len(lines) && strings.HasPrefix(lines[i+1], indent) {
			i++ // the answer that stood there
		}
	}
	return b.String(), answers
}
