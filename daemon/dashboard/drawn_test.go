package dashboard

import (
	"os"
	"strings"
	"testing"

	"keyturn/daemon/dashboard/picture"
)

// The page's dark colours of pictures are those that the pictures ask for.
func TestPicturesHaveTheirDarkColours(t *testing.T) {
	css, err := os.ReadFile("assets/keyturn.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range picture.Colours() {
		if want := c.Property + ": " + c.Dark + ";"; !strings.Contains(string(css), want) {
			t.Errorf("keyturn.css lacks %s (%s)", want, c.About)
		}
	}
}
