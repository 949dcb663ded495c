package main

import (
	"bufio"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The code for the first user stands on the terminal, and in no journal. Without a
// browser, passwords are typed unseen.
func TestFirstUserInATerminal(t *testing.T) {
	program, dir := keyturn(t), t.TempDir()
	file := filepath.Join(dir, "records.db")
	serve := []string{program, "dashboard", "--records", file, "--listen", "127.0.0.1:0", "--behind-proxy", "127.0.0.1", "--host", "dash.shop.example", "--broker", "tcp://127.0.0.1:1"}
	x := inTerminal(t, 160, 30, append(serve, "2>/dev/null")...)
	screen := x.waitFor("which holds for 30m")
	if code := regexp.MustCompile(`https://dash\.shop\.example/set-up with the code [A-Z2-7]{5}-[A-Z2-7]{5},`); !code.MatchString(screen) {
		t.Errorf("no code on the terminal:\n%s", screen)
	}
	x.keys("C-c")
	x.waitFor("it has ended")

	journal := exec.CommandContext(t.Context(), serve[0], serve[1:]...)
	out, err := journal.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := journal.Start(); err != nil {
		t.Fatal(err)
	}
	said := bufio.NewScanner(out)
	for said.Scan() && !strings.HasPrefix(said.Text(), "There is no user yet") {
	}
	if !strings.Contains(said.Text(), "keyturn user add") || strings.Contains(said.Text(), "code") {
		t.Errorf("in what is no terminal: %q", said.Text())
	}
	if err := errors.Join(journal.Process.Signal(os.Interrupt), journal.Wait()); err != nil {
		t.Error(err)
	}

	x = inTerminal(t, 160, 30, program, "user", "add", "Ada", "--role", "instructor", "--records", file)
	x.waitFor("At least 10 characters")
	x.keys("five lamps glow dim", "Enter")
	x.waitFor("The same again")
	x.keys("five lamps glow dim", "Enter")
	if screen := x.waitFor("it has ended"); strings.Contains(screen, "five") || strings.Contains(screen, "keyturn:") {
		t.Errorf("the password was shown or refused:\n%s", screen)
	}

	password := filepath.Join(dir, "password")
	if err = os.WriteFile(password, []byte("nine belts hum along\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	user := func(want string, args ...string) {
		t.Helper()
		out, err := exec.Command(program, append([]string{"user"}, append(args, "--records", file)...)...).CombinedOutput()
		if (err != nil) != strings.HasPrefix(want, "keyturn: ") || !strings.Contains(string(out), want) {
			t.Errorf("user %v: %v, %s, want %q", args, err, out, want)
		}
	}
	user("", "add", "ben", "--password-file", password)
	user("", "password", "ben", "--password-file", password)
	user("keyturn: There is a user of that name", "add", "BEN", "--password-file", password)
	user("keyturn: there is no terminal", "add", "cleo")
	user("keyturn: That is the last instructor", "remove", "ada")
	user("ada   instructor  never", "list")
	user("ben   viewer", "list")
	user("", "remove", "ben")
	user("keyturn: There is no user", "remove", "ben")
	file = filepath.Join(dir, "none.db")
	user("keyturn: open the records", "list")
	if _, err := os.Stat(file); err == nil {
		t.Error("records were made by listing users")
	}
}
