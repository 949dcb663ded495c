// Package recordstest runs Debian's PostgreSQL for the tests of whatever keeps records
// in it.
package recordstest

import (
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// startsWithin is how long a server may take to start.
const startsWithin = 30 * time.Second

// Postgres runs a server of its own until the end of the test, and returns its URL.
func Postgres(t testing.TB) string {
	t.Helper()
	bins, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil || len(bins) == 0 {
		t.Fatal("there is no PostgreSQL: install the Debian package postgresql-15")
	}
	bin := filepath.Dir(bins[len(bins)-1])
	dir, err := os.MkdirTemp("", "keyturn-postgres-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	as := other(t, dir)
	command := func(name string, args ...string) *exec.Cmd {
		c := exec.Command(filepath.Join(bin, name), args...)
		c.SysProcAttr, c.Dir = as, dir
		return c
	}
	data := filepath.Join(dir, "data")
	if out, err := command("initdb", "-D", data, "-U", "keyturn", "-A", "trust", "-E", "UTF8", "--no-locale").CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v\n%s", err, out)
	}
	// By a socket in the folder: a port could be taken meanwhile.
	server := command("postgres", "-D", data, "-c", "listen_addresses=", "-k", dir)
	if err := server.Start(); err != nil {
		t.Fatalf("start PostgreSQL: %v", err)
	}
	t.Cleanup(func() {
		_ = server.Process.Signal(syscall.SIGINT) // a fast stop; it may have ended by itself
		_ = server.Wait()
	})
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(startsWithin); ; {
		if command("pg_isready", "-h", dir, "-q").Run() == nil {
			return "postgres:///postgres?user=keyturn&sslmode=disable&host=" + url.QueryEscape(dir)
		}
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatal("PostgreSQL does not start")
		}
	}
}

// other is the user to run it as: it refuses the superuser.
func other(t testing.TB, dir string) *syscall.SysProcAttr {
	t.Helper()
	if os.Getuid() != 0 {
		return nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		t.Fatalf("the package's user: %v", err)
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		t.Fatal(err)
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(dir, uid, gid); err != nil {
		t.Fatal(err)
	}
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
}
