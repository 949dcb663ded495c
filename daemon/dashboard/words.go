package dashboard

import (
	"fmt"
	"strings"
	"time"
	"unicode"
)

// textMax is how many letters of a text from outside are shown.
const textMax = 80

// clean makes a text from outside fit to be shown: letters that steer the direction
// of writing or are not seen are marked, for with them one text can pass as another.
// Escaping is the templates' work.
func clean(s string) string { return cleanTo(s, textMax) }

func cleanTo(s string, most int) string {
	var b strings.Builder
	n := 0
	for _, r := range s { // bad UTF-8 comes as U+FFFD
		switch {
		case n == most:
			b.WriteRune('…')
			return b.String()
		case unicode.IsSpace(r):
			r = ' '
		case unicode.Is(unicode.C, r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r):
			r = unicode.ReplacementChar
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// ago says how old something is, in whole units: its last digit moves once a second
// at most.
func ago(d time.Duration) string {
	switch {
	case d < time.Second:
		return "just now"
	case d < time.Minute:
		return fmt.Sprintf("%d s ago", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", d/time.Hour)
	}
	return fmt.Sprintf("%d days ago", d/(24*time.Hour))
}

// moment writes an instant for people.
func moment(t time.Time) string { return t.Format("2 Jan 2006, 15:04:05 MST") }

// wall reads the wall time of a document; false where the bench did not know it.
func wall(text string, zone *time.Location) (time.Time, bool) {
	t, err := time.Parse(time.RFC3339, text)
	return t.In(zone), err == nil
}

func madeAt(text string, zone *time.Location) string {
	if t, ok := wall(text, zone); ok {
		return moment(t)
	}
	return "clock not set"
}

// plural writes a count with its word.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
