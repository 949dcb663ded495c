package handbook

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The list of worked examples names tests that there are, and no number is missing.
func TestExamplesAreTested(t *testing.T) {
	text, err := os.ReadFile("EXAMPLES.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile("(?m)^\\| (\\d+) \\|.*\\| `([a-z/]+)` (Test\\w+) \\|$").FindAllStringSubmatch(string(text), -1)
	if all := strings.Count(string(text), "\n|") - 2; len(rows) != all || all < 15 {
		t.Errorf("%d rows name a test, of %d", len(rows), all)
	}
	for i, row := range rows {
		if want := strconv.Itoa(i + 1); row[1] != want {
			t.Errorf("example %s, want %s", row[1], want)
		}
		files, err := filepath.Glob(filepath.Join("../..", row[2], "*_test.go"))
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range files {
			code, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			found = found || strings.Contains(string(code), "\nfunc "+row[3]+"(t *testing.T) {")
		}
		if !found {
			t.Errorf("example %s: %s has no %s", row[1], row[2], row[3])
		}
	}
}
