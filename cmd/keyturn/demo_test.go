package main

import (
	"bufio"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Where the dashboard's usual address is taken, it says so and takes another; Ctrl-C
// ends everything.
func TestDemoOpensADashboard(t *testing.T) {
	if l, err := net.Listen("tcp", demoListen); err == nil { // else another has taken it already
		defer l.Close()
	}
	program := keyturn(t)
	c := exec.CommandContext(t.Context(), program, "demo", "--width", "100")
	said, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaint strings.Builder
	c.Stderr = &complaint
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	address := ""
	for lines := bufio.NewScanner(said); address == "" && lines.Scan(); {
		address, _ = strings.CutPrefix(lines.Text(), "Dashboard: ")
		if !strings.HasPrefix(address, "http://") {
			address = ""
		}
	}
	if code, text := get(t, address); code != http.StatusOK || !strings.Contains(text, "<title>Now") {
		t.Errorf("%s: %d %.80s", address, code, text)
	}
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("after Ctrl-C: %v\n%s", err, &complaint)
	}
	if !strings.Contains(complaint.String(), demoListen) || strings.Contains(address, demoListen) {
		t.Errorf("at %s, said %q", address, &complaint)
	}
}

// What scripts read has no dashboard in it, unless they ask for one.
func TestDemoOfScriptsOpensNone(t *testing.T) {
	program := keyturn(t)
	records := t.TempDir()
	for options, want := range map[string]bool{ // each by itself
		"--once --fast": false, "--once --fast --json": false, "--once --fast --no-dashboard": false,
		"--once --fast --listen 127.0.0.1:0": true, "--once --fast --keep " + records: true,
	} {
		out, err := exec.Command(program, append([]string{"demo"}, strings.Fields(options)...)...).Output()
		if err != nil {
			t.Errorf("%s: %v", options, err)
		}
		if got := strings.Contains(string(out), "Dashboard: http://"); got != want {
			t.Errorf("%s: a dashboard is opened: %t, want %t", options, got, want)
		}
	}
	kept, err := exec.Command(program, "export", "results", "--records", filepath.Join(records, "records.db")).Output()
	if err != nil || strings.Count(string(kept), `"final":true`) != 1 {
		t.Errorf("the records have the final cycle %d times, %v", strings.Count(string(kept), `"final":true`), err)
	}
	out, err := exec.Command(program, "demo", "--no-dashboard", "--listen", "127.0.0.1:0").CombinedOutput()
	if err == nil || !strings.Contains(string(out), "--listen and --no-dashboard") {
		t.Errorf("both: %v", err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	out, err = exec.Command(program, "demo", "--listen", taken.Addr().String()).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "address already in use") {
		t.Errorf("an address that was asked for and is taken: %v\n%s", err, out)
	}
}

// The address is still to be seen when the first lines have scrolled away.
func TestDemoShowsTheDashboardInATerminal(t *testing.T) {
	x := inTerminal(t, 100, 40, keyturn(t), "demo", "--fast", "--listen", "127.0.0.1:0")
	below := regexp.MustCompile(`(?s)Slot +Legend.*f12.*Dashboard: http://127\.0\.0\.1:\d+/`)
	waitUntil(t, "the address stands below a table", func() bool { return below.MatchString(x.tmux("capture-pane", "-p")) })
	x.keys("C-c")
	x.waitFor("it has ended")
}
