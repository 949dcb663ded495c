package records

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"
)

// at sets the clock of the records.
func at(s *Store, t time.Time) { s.now = func() time.Time { return t } }

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func addUsers(t *testing.T, s *Store, users ...User) {
	t.Helper()
	for _, u := range users {
		if err := s.AddUser(t.Context(), u); err != nil {
			t.Fatal(err)
		}
	}
}

func named(t *testing.T, s *Store, name string) User {
	t.Helper()
	u, err := s.UserNamed(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestUsersAreKeptAndDeleted(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		at(s, noon)
		if any, err := s.AnyUser(ctx); any || err != nil {
			t.Fatalf("users at first: %v, %v", any, err)
		}
		ada := User{Name: "ada", Role: "chief", Hash: "h1", Key: "k1"}
		if err := s.AddFirstUser(ctx, ada); err != nil {
			t.Fatal(err)
		}
		if err := s.AddFirstUser(ctx, User{Name: "eve", Role: "chief", Hash: "h", Key: "k9"}); !errors.Is(err, ErrNotFirst) {
			t.Errorf("a second first user: %v", err)
		}
		addUsers(t, s, User{Name: "<script>", Role: "hand", Hash: "h2", Key: "k2"})
		if err := s.AddUser(ctx, User{Name: "ada", Role: "hand", Hash: "h3", Key: "k3"}); !errors.Is(err, ErrUserKnown) {
			t.Errorf("a name twice: %v", err)
		}
		if any, err := s.AnyUser(ctx); !any || err != nil {
			t.Errorf("users: %v, %v", any, err)
		}
		ada.Made = noon
		if got := named(t, s, "ada"); !got.Made.Equal(noon) || !got.SignedIn.IsZero() || got.Hash != "h1" || got.Role != "chief" || got.Key != "k1" {
			t.Errorf("ada is %+v", got)
		}
		at(s, noon.Add(time.Hour))
		if err := s.NoteSignIn(ctx, "ada"); err != nil || !named(t, s, "ada").SignedIn.Equal(noon.Add(time.Hour)) {
			t.Errorf("signed in at %v, %v", named(t, s, "ada").SignedIn, err)
		}
		if err := s.SetPassword(ctx, "ada", "h4", "k4"); err != nil {
			t.Fatal(err)
		}
		if u, err := s.UserOf(ctx, "k4"); err != nil || u.Name != "ada" || u.Hash != "h4" {
			t.Errorf("the new key leads to %+v, %v", u, err)
		}
		for _, key := range []string{"k1", "", "none"} {
			if _, err := s.UserOf(ctx, key); !errors.Is(err, ErrNoUser) {
				t.Errorf("key %q: %v", key, err)
			}
		}
		all, err := s.Users(ctx)
		names := []string{}
		for _, u := range all {
			names = append(names, u.Name)
		}
		if err != nil || !slices.Equal(names, []string{"<script>", "ada"}) {
			t.Errorf("users %v, %v", names, err)
		}
		if err := s.DeleteUser(ctx, "<script>", "chief"); err != nil {
			t.Fatal(err)
		}
		var n int
		if err := s.db.QueryRow("SELECT count(*) FROM dashboard_user WHERE name = '<script>' OR session_key = 'k2' OR hash = 'h2'").Scan(&n); err != nil || n != 0 {
			t.Errorf("%d rows are left of who was deleted, %v", n, err)
		}
		for what, err := range map[string]error{ // each by itself
			"password": s.SetPassword(ctx, "none", "h", "k"), "role": s.SetRole(ctx, "none", "hand", "k", "chief"),
			"delete": s.DeleteUser(ctx, "none", "chief"), "sign-in": s.NoteSignIn(ctx, "none"),
		} {
			if !errors.Is(err, ErrNoUser) {
				t.Errorf("%s of nobody: %v", what, err)
			}
		}
	})
}

// However many try at once: somebody of the role is left.
func TestTheLastOfARoleStays(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		const n = 6
		for i := range n {
			addUsers(t, s, User{Name: fmt.Sprint("chief-", i), Role: "chief", Key: fmt.Sprint("k", i)})
		}
		addUsers(t, s, User{Name: "hand", Role: "hand", Key: "h"})
		if err := s.DeleteUser(t.Context(), "hand", "chief"); err != nil {
			t.Fatal(err)
		}
		var wg sync.WaitGroup
		refused := make(chan error, n)
		for i := range n {
			wg.Go(func() {
				name, err := fmt.Sprint("chief-", i), error(nil)
				if i%2 == 0 {
					err = s.DeleteUser(context.Background(), name, "chief")
				} else {
					err = s.SetRole(context.Background(), name, "hand", fmt.Sprint("n", i), "chief")
				}
				if err != nil {
					refused <- err
				}
			})
		}
		wg.Wait()
		close(refused)
		count := 0
		for err := range refused {
			count++
			if !errors.Is(err, ErrRoleEmpty) {
				t.Error(err)
			}
		}
		var left int
		if err := s.db.QueryRow("SELECT count(*) FROM dashboard_user WHERE role = 'chief'").Scan(&left); err != nil || left != 1 || count != 1 {
			t.Errorf("%d of the role are left, %d were refused, %v; want one each", left, count, err)
		}
	})
}

func TestSessionsEnd(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		at(s, noon)
		addUsers(t, s, User{Name: "ada", Role: "chief", Key: "k"})
		keep := func(token, data string, until time.Duration) {
			t.Helper()
			if err := s.KeepSession(ctx, token, []byte(data), noon.Add(until)); err != nil {
				t.Fatal(err)
			}
		}
		is := func(when, token, want string) {
			t.Helper()
			data, found, err := s.Session(ctx, token)
			if err != nil || found != (want != "") || string(data) != want {
				t.Errorf("%s: %q, %v, %v, want %q", when, data, found, err, want)
			}
		}
		expires := func(token string) time.Duration {
			t.Helper()
			var ms int64
			if err := s.db.QueryRow("SELECT expires_ms FROM dashboard_session WHERE token = $1", token).Scan(&ms); err != nil {
				t.Fatal(err)
			}
			return time.UnixMilli(ms).Sub(noon)
		}
		is("forged", "t", "")
		keep("t", "\x00a", time.Hour)
		is("new", "t", "\x00a")
		keep("t", "\x00a", time.Hour+59*time.Second)
		if got := expires("t"); got != time.Hour {
			t.Errorf("written for less than a minute: until %v", got)
		}
		keep("t", "\x00a", time.Hour+time.Minute)
		if got := expires("t"); got != time.Hour+time.Minute {
			t.Errorf("used on: until %v", got)
		}
		keep("t", "b", time.Hour)
		is("other data", "t", "b")
		if err := errors.Join(s.EndSession(ctx, "t"), s.EndSession(ctx, "none")); err != nil {
			t.Fatal(err)
		}
		is("ended", "t", "")
		keep("t", "b", 2*time.Hour) // by a request that was under way
		is("brought back", "t", "")
		keep("u", "c", 2*time.Hour)
		at(s, noon.Add(2*time.Hour))
		is("over", "u", "")
		if err := s.NoteSignIn(ctx, "ada"); err != nil {
			t.Fatal(err)
		}
		var n int
		if err := s.db.QueryRow("SELECT count(*) FROM dashboard_session").Scan(&n); err != nil || n != 0 {
			t.Errorf("%d sessions are kept whose time is over, %v", n, err)
		}
	})
}

// A page that is looked at does not wait while results are written.
func TestUsingASessionDoesNotWaitForWriters(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		at(s, noon)
		if err := s.KeepSession(t.Context(), "t", []byte("a"), noon.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		writer, err := s.db.BeginTx(t.Context(), nil)
		if err != nil {
			t.Fatal(err)
		}
		defer writer.Rollback()
		if _, err := writer.Exec("UPDATE dashboard_session SET expires_ms = 0"); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if err := s.KeepSession(ctx, "t", []byte("a"), noon.Add(time.Hour+time.Second)); err != nil {
			t.Error(err)
		}
		if data, found, err := s.Session(ctx, "t"); !found || err != nil {
			t.Errorf("%q, %v, %v", data, found, err)
		}
	})
}

// What passwords are held against is nobody's to read.
func TestANewFileIsItsOwnersAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "records.db")
	s, err := Open(t.Context(), Options{URL: path})
	if err != nil {
		t.Fatal(err)
	}
	addUsers(t, s, User{Name: "ada", Role: "chief", Key: "k"})
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		if i, err := os.Stat(name); err != nil || i.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, i.Mode(), err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
