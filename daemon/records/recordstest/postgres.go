// Package recordstest runs Debian's PostgreSQL for the tests of whatever keeps records
// in it.
package recordstest

import (
	"errors"
	"fmt"
	"math/rand/v2"
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

// running is the environment variable that tells tests of the server that Main runs.
const running = "KEYTURN_TEST_POSTGRES"

// Main runs the tests of a package with one server, where each test that asks Postgres
// gets a database of its own: call it from TestMain.
func Main(m *testing.M) int {
	dir, stop, err := start()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer stop()
	os.Setenv(running, dir)
	return m.Run()
}

// Postgres returns the URL of an empty database: on the server that Main runs, else on
// one that runs until the end of the test.
func Postgres(t testing.TB) string {
	t.Helper()
	dir := os.Getenv(running)
	if dir == "" {
		var stop func()
		var err error
		if dir, stop, err = start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(stop)
	}
	name := fmt.Sprintf("keyturn_%x", rand.Uint64())
	c, err := command(dir, "createdb", "-h", dir, "-U", "keyturn", name)
	if err != nil {
		t.Fatal(err)
	}
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("make a database: %v\n%s", err, out)
	}
	return "postgres:///" + name + "?user=keyturn&sslmode=disable&host=" + url.QueryEscape(dir)
}

// start runs a server that hears on a socket in dir, until stop.
func start() (dir string, stop func(), err error) {
	if dir, err = os.MkdirTemp("", "keyturn-postgres-"); err != nil {
		return "", nil, err
	}
	remove := func() { os.RemoveAll(dir) }
	fail := func(err error) (string, func(), error) { remove(); return "", nil, err }
	data := filepath.Join(dir, "data")
	c, err := command(dir, "initdb", "-D", data, "-U", "keyturn", "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync")
	if err != nil {
		return fail(err)
	}
	if out, err := c.CombinedOutput(); err != nil {
		return fail(fmt.Errorf("initdb: %w\n%s", err, out))
	}
	// By a socket in the folder: a port could be taken meanwhile.
	server, err := command(dir, "postgres", "-D", data, "-c", "listen_addresses=", "-k", dir)
	if err != nil {
		return fail(err)
	}
	if err := server.Start(); err != nil {
		return fail(fmt.Errorf("start PostgreSQL: %w", err))
	}
	stop = func() {
		_ = server.Process.Signal(syscall.SIGINT) // a fast stop; it may have ended by itself
		_ = server.Wait()
		remove()
	}
	if err := ready(dir); err != nil {
		stop()
		return "", nil, err
	}
	return dir, stop, nil
}

// ready waits until a server takes connections.
func ready(dir string) error {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(startsWithin); ; {
		c, err := command(dir, "pg_isready", "-h", dir, "-q")
		if err != nil {
			return err
		}
		if c.Run() == nil {
			return nil
		}
		select {
		case <-tick.C:
		case <-deadline:
			return errors.New("PostgreSQL does not start")
		}
	}
}

// command is one of PostgreSQL's programs, run in a folder by a user that it accepts.
func command(dir, name string, args ...string) (*exec.Cmd, error) {
	bins, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil || len(bins) == 0 {
		return nil, errors.New("there is no PostgreSQL: install the Debian package postgresql-15")
	}
	as, err := other(dir)
	if err != nil {
		return nil, err
	}
	c := exec.Command(filepath.Join(filepath.Dir(bins[len(bins)-1]), name), args...)
	c.SysProcAttr, c.Dir = as, dir
	return c, nil
}

// other is the user to run it as: it refuses the superuser.
func other(dir string) (*syscall.SysProcAttr, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		return nil, fmt.Errorf("the package's user: %w", err)
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return nil, err
	}
	if err := os.Chown(dir, uid, gid); err != nil {
		return nil, err
	}
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}, nil
}
