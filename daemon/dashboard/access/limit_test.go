package access

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/alexedwards/argon2id"
)

func TestTriesAreSlowedDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := withUsers(t)
		try := func(from, name, password string) int {
			t.Helper()
			return refusal(t, a.SignIn(httptest.NewRecorder(), request(t, a, ""), netip.MustParseAddr(from), name, password))
		}
		// One name from ever other addresses.
		for i := range nameAtOnce {
			if got := try(fmt.Sprintf("192.0.2.%d", i), "the-operator", other); got != http.StatusUnauthorized {
				t.Fatalf("guess %d: %d", i, got)
			}
		}
		if got := try("192.0.2.200", "the-operator", secret); got != http.StatusTooManyRequests {
			t.Errorf("one guess more of a name, the right one: %d", got)
		}
		if got := try("192.0.2.200", "the-viewer", secret); got != 0 {
			t.Errorf("another name meanwhile: %d", got)
		}
		<-time.After(nameEvery) // simulated
		if got := try("192.0.2.201", "the-operator", secret); got != 0 {
			t.Errorf("after a while: %d", got)
		}
		// Ever other names from one network.
		for i := range addressAtOnce {
			if got := try(fmt.Sprintf("2001:db8::%x", i), fmt.Sprint("user-", i), other); got != http.StatusUnauthorized {
				t.Fatalf("guess %d: %d", i, got)
			}
		}
		if got := try("2001:db8::ffff", "the-viewer", secret); got != http.StatusTooManyRequests {
			t.Errorf("one guess more from a network: %d", got)
		}
		if got := try("2001:db8:0:1::1", "the-viewer", secret); got != 0 {
			t.Errorf("another network meanwhile: %d", got)
		}
		<-time.After(addressEvery)
		if got := try("2001:db8::1", "the-viewer", secret); got != 0 {
			t.Errorf("after a while: %d", got)
		}
	})
}

func TestLimiterForgets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLimiter(time.Second, 2)
		for i := range keysMost {
			l.take(fmt.Sprint(i))
		}
		if wait := l.take("one more"); wait == 0 || len(l.by) > keysMost {
			t.Errorf("%d keys are remembered, the next waits %v", len(l.by), wait)
		}
		if wait := l.take("7"); wait != 0 {
			t.Errorf("one that is known waits %v", wait)
		}
		<-time.After(time.Second) // simulated
		if wait := l.take("one more"); wait != 0 || len(l.by) != 2 {
			t.Errorf("%d keys are remembered, want the one that is not full again and the new one; it waits %v", len(l.by), wait)
		}
	})
}

// A name that nobody has costs the same turn and the same work as one that somebody has,
// and no more run at once than were allowed.
func TestHashingIsBoundedAndTellsNothing(t *testing.T) {
	known, err := newHasher().hash(t.Context(), secret)
	if err != nil {
		t.Fatal(err)
	}
	want, salt, key, err := argon2id.DecodeHash(known)
	if err != nil {
		t.Fatal(err)
	}
	got, nobodysSalt, nobodysKey, err := argon2id.DecodeHash(nobodysHash())
	if err != nil || *got != *want || len(salt) != len(nobodysSalt) || len(key) != len(nobodysKey) {
		t.Errorf("nobody's hash has %+v, a user's %+v, %v", got, want, err)
	}
	synctest.Test(t, func(t *testing.T) {
		a := withUsers(t)
		for range hashesMost {
			done, err := a.hasher.turn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer done()
		}
		for _, name := range []string{"the-viewer", "nobody", "two words", ""} {
			begin := time.Now()
			err := a.SignIn(httptest.NewRecorder(), request(t, a, ""), desk, name, secret)
			if refusal(t, err) != http.StatusServiceUnavailable || time.Since(begin) != hashWithin {
				t.Errorf("%q: %v after %v", name, err, time.Since(begin))
			}
		}
	})
}

func TestNamesAndPasswords(t *testing.T) {
	for typed, want := range map[string]string{ // each by itself
		"Ada": "ada", "j.bright": "j.bright", "<script>": "<script>", "ÅSA": "åsa", "A\u030asa": "åsa", "ＡＤＡ": "ada",
		"": "", "two words": "", "a\r\nSet-Cookie:x": "", "\x00": "", "bad\xff": "", "\u202eada": "", strings.Repeat("a", nameMost): strings.Repeat("a", nameMost),
		strings.Repeat("a", nameMost+1): "", strings.Repeat("a", 1<<20): "",
	} {
		if got, err := NameOf(typed); got != want || (want == "") != (err != nil) {
			t.Errorf("%.40q is %q, %v, want %q", typed, got, err, want)
		}
	}
	long := strings.Repeat("lamp ", passwordMost/5)
	for typed, ok := range map[string]bool{ // likewise
		secret: true, long: true, "pässword ø lång": true, "ten chars.": true,
		"": false, "nine char": false, "aaaaaaaaaaaaaaa": false, "hello ADA hello": false, long + "123456": false, strings.Repeat("x", 1<<20): false,
		"tab\tin the middle": false, "bad\xffbytes here": false,
	} {
		if _, err := newPassword("ada", typed); (err == nil) != ok {
			t.Errorf("%.40q: %v", typed, err)
		}
	}
	composed, err := passwordOf("Åsa sings at ten")
	decomposed, err2 := passwordOf("A\u030asa sings at ten")
	if err != nil || err2 != nil || composed != decomposed {
		t.Errorf("one password typed on two keyboards: %q, %q", composed, decomposed)
	}
}

func TestRoles(t *testing.T) {
	for _, r := range Roles() {
		if RoleOf(r.String()) != r {
			t.Errorf("%v is read as %v", r, RoleOf(r.String()))
		}
	}
	for _, word := range []string{"", "nobody", "Instructor", "root"} {
		if RoleOf(word) != 0 {
			t.Errorf("%q is the role %v", word, RoleOf(word))
		}
	}
}

// Signing in takes a Raspberry Pi's memory only as often as was allowed: bound-ratio is
// what one takes of what was set for it.
func BenchmarkHash(b *testing.B) {
	h := newHasher()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for b.Loop() {
		if ok, err := h.matches(b.Context(), secret, nobodysHash()); ok || err != nil {
			b.Fatal(ok, err)
		}
	}
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.TotalAlloc-before.TotalAlloc)/float64(b.N)/(hashKiB<<10), "bound-ratio")
}
