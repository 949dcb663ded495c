package report

import (
	"strings"
	"testing"

	"keyturn/protocol"
)

// What was seen and measured before power is said in a sentence, a short to earth first of
// all feeds.
func TestBeforePower(t *testing.T) {
	holds, fails := protocol.LimitedFeed{V: 12.41, Holds: true}, protocol.LimitedFeed{V: 0.31}
	for _, x := range []struct {
		seen  string
		feeds []protocol.LimitedFeed
		want  string
	}{
		{"", nil, "Before power: nothing amiss was seen; shorts to earth were not looked for."},
		{"", []protocol.LimitedFeed{holds}, "Before power: nothing amiss was seen; one busbar held 12.41 V on a limited feed."},
		{"green contacts", []protocol.LimitedFeed{{V: 12.5, Holds: true}, holds}, `Before power was seen: "green contacts"; 2 busbars held 12.41 V or more on a limited feed.`},
		{"", []protocol.LimitedFeed{holds, fails}, "Before power: nothing amiss was seen; busbar 2 did not hold a limited feed, 0.31 V: a short to earth."},
	} {
		b := BoxVerdict{Before: &protocol.BeforePower{Seen: protocol.OrNull(x.seen), Feeds: x.feeds}}
		if got := strings.Join(b.Lines(), "\n"); !strings.Contains(got, x.want) {
			t.Errorf("%s\nwant %s", got, x.want)
		}
	}
}
