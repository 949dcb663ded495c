package handbook

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The list of worked examples names tests that there are.
func TestExamplesAreTested(t *testing.T) {
	text, err := os.ReadFile("EXAMPLES.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile("(?m)^\\| (\\d+) \\|.*\\| `([a-z/]+)` (Test\\w+) \\|$").FindAllStringSubmatch(string(text), -1)
	if all := strings.Count(string(text), "\n|") - 2; len(rows) != all || all < 13 {
		t.Errorf("%d rows name a test, of %d", len(rows), all)
	}
	for _, row := range rows {
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
