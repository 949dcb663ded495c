package house

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/config"
)

// programs builds what is shipped and returns the folder that holds it.
func programs(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	cmd := exec.Command("go", "build", "-o", dir+"/", "./cmd/keyturn", "./cmd/keyturnd")
	cmd.Dir = top(t)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build the programs: %v\n%s", err, out)
	}
	return dir
}

func helpOf(t *testing.T, dir string, words ...string) string {
	t.Helper()
	out, err := exec.Command(filepath.Join(dir, words[0]), append(slices.Clone(words[1:]), "--help")...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s --help: %v\n%s", strings.Join(words, " "), err, out)
	}
	return string(out)
}

var helpFlag = regexp.MustCompile(`(?m)^  +(?:-[a-zA-Z], )?--(?:\[no-\])?([a-z0-9][a-z0-9-]*)`)

// helpCommand is a row of a command list: it is indented by two, its explanation
// by four.
var helpCommand = regexp.MustCompile(`(?m)^  ([a-z][a-z0-9-]*(?: [a-z][a-z0-9-]*)*)(?: (?:[<\[]|--).*)?$`)

// known tells every command of the shipped programs, "keyturn demo", and the
// options that its --help lists. The programs themselves are commands too.
func known(t *testing.T, dir string) map[string][]string {
	t.Helper()
	all := map[string][]string{}
	for _, program := range []string{"keyturn", "keyturnd"} {
		text := helpOf(t, dir, program)
		all[program] = flagsIn(text)
		_, list, _ := strings.Cut(text, "\nCommands:\n")
		for _, m := range helpCommand.FindAllStringSubmatch(list, -1) {
			words := append([]string{program}, strings.Fields(m[1])...)
			all[strings.Join(words, " ")] = flagsIn(helpOf(t, dir, words...))
		}
	}
	// Were help laid out in another way, nothing would be found and all would agree.
	for _, want := range []string{"keyturn demo", "keyturn calibrate"} {
		if !slices.Contains(all[want], "version") || len(all[want]) < 4 {
			t.Fatalf("%s --help was not understood: got options %q", want, all[want])
		}
	}
	return all
}

func flagsIn(help string) []string {
	var out []string
	for _, m := range helpFlag.FindAllStringSubmatch(help, -1) {
		out = append(out, m[1])
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// agree holds what a shipped file says against what the programs say.
func agree(t *testing.T, file string, programs, says map[string][]string, row func(command string) string, option func(command, name string) string) {
	t.Helper()
	for _, command := range slices.Sorted(maps.Keys(programs)) {
		listed, there := says[command]
		if !there {
			t.Errorf("%s: %q is a command, but has no place there: add\n%s", file, command, row(command))
		}
		for _, f := range programs[command] {
			if !slices.Contains(listed, f) {
				t.Errorf("%s: %q knows --%s: add %s", file, command, f, option(command, f))
			}
		}
		for _, f := range listed {
			if !slices.Contains(programs[command], f) {
				t.Errorf("%s: %q knows no --%s: take it out", file, command, f)
			}
		}
	}
	for _, command := range slices.Sorted(maps.Keys(says)) {
		if _, there := programs[command]; !there {
			t.Errorf("%s: there is no command %q: take it out", file, command)
		}
	}
}

func TestShippedFilesAgreeWithThePrograms(t *testing.T) {
	dir := programs(t)
	all := known(t, dir)
	t.Run("man pages", func(t *testing.T) { manPages(t, all) })
	t.Run("completion", func(t *testing.T) { completion(t, all) })
	t.Run("bench file", func(t *testing.T) { benchFile(t, dir) })
}

func manPages(t *testing.T, all map[string][]string) {
	// Options that every command has stand once, under OPTIONS.
	common := all["keyturn"]
	heading := regexp.MustCompile(`^\.Ss (keyturnd?(?: .+)?)$`)
	item := regexp.MustCompile(`^\.It (?:Fl [a-zA-Z] , )?Fl -([a-z0-9-]+)`)
	for page, program := range map[string]string{"keyturn.1": "keyturn", "keyturnd.8": "keyturnd"} { // each page by itself
		text, err := os.ReadFile(filepath.Join(top(t), "systemd", page))
		if err != nil {
			t.Fatal(err)
		}
		says, at := map[string][]string{}, ""
		for _, line := range strings.Split(string(text), "\n") {
			if line == ".Sh OPTIONS" {
				at = program
				says[at] = []string{}
			} else if strings.HasPrefix(line, ".Sh ") {
				at = ""
			}
			if m := heading.FindStringSubmatch(line); m != nil {
				at = m[1]
				says[at] = []string{}
			}
			if m := item.FindStringSubmatch(line); m != nil && at != "" {
				says[at] = append(says[at], m[1])
			}
		}
		want := map[string][]string{}
		for command, flags := range all { // gathered, not ordered
			if command == program {
				want[command] = flags
			} else if strings.HasPrefix(command, program+" ") {
				want[command] = slices.DeleteFunc(slices.Clone(flags), func(f string) bool { return slices.Contains(common, f) })
			}
		}
		agree(t, "systemd/"+page, want, says,
			func(command string) string { return ".Ss " + command },
			func(command, name string) string {
				return "\".It Fl -" + name + "\" with what it does, under " + command
			})
	}
}

// completion is asked as bash asks it.
func completion(t *testing.T, all map[string][]string) {
	file := filepath.Join(top(t), "systemd", "keyturn.bash-completion")
	ask := func(words ...string) []string {
		t.Helper()
		script := `source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _keyturn "$1" "${@: -1}" "${@: -2:1}"; printf '%s\n' "${COMPREPLY[@]}"`
		out, err := exec.Command("bash", append([]string{"-euc", script, "bash", file}, words...)...).CombinedOutput()
		if err != nil {
			t.Fatalf("bash completes %q: %v\n%s", words, err, out)
		}
		return strings.Fields(string(out))
	}
	out, err := exec.Command("bash", "-euc", `source "$1"; printf '%s\n' "${!_keyturn_knows[@]}"; complete -p keyturn keyturnd >&2`, "bash", file).Output()
	if err != nil {
		t.Fatalf("read the completion: %v", err)
	}
	says := map[string][]string{}
	for _, command := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		says[command] = []string{}
		for _, f := range ask(append(strings.Fields(command), "--")...) {
			says[command] = append(says[command], strings.TrimPrefix(f, "--"))
		}
	}
	agree(t, "systemd/keyturn.bash-completion", all, says,
		func(command string) string { return "[\"" + command + "\"]=\"--help --version …\" to _keyturn_knows" },
		func(command, name string) string {
			return "--" + name + " to [\"" + command + "\"], with = if it takes a value"
		})

	for command := range all { // each is asked by itself
		words := strings.Fields(command)
		if last := len(words) - 1; last > 0 {
			if got := ask(append(words[:last:last], words[last][:1])...); !slices.Contains(got, words[last]) {
				t.Errorf("completing %q offers %q, want %s among them", words[last][:1], got, words[last])
			}
		}
	}
	dir := t.TempDir()
	bench := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(bench, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, words := range [][]string{{"keyturnd", "--config", dir + "/b"}, {"keyturnd", "--config", "=", dir + "/b"}, {"keyturn", "replay", dir + "/b"}} {
		if got := ask(words...); !slices.Equal(got, []string{bench}) {
			t.Errorf("completing %q offers %q, want %s", words, got, bench)
		}
	}
	if got := ask("keyturn", "demo", "--seed", ""); len(got) != 0 {
		t.Errorf("completing the value of --seed offers %q, want nothing", got)
	}
}

func benchFile(t *testing.T, dir string) {
	bench := filepath.Join(top(t), "systemd", "bench.toml")
	out, err := exec.Command(filepath.Join(dir, "keyturnd"), "--config", bench, "--check").CombinedOutput()
	if err != nil {
		t.Fatalf("keyturnd --check: %v\n%s", err, out)
	}
	if !strings.Contains(string(out), "all right") {
		t.Errorf("keyturnd --check says %q", out)
	}
	text, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	// The service may write nowhere else.
	for _, line := range []string{`store = "/var/lib/keyturn/results.db"`, `calibration = "/var/lib/keyturn/calibration.toml"`} {
		if !slices.Contains(strings.Split(string(text), "\n"), line) {
			t.Errorf("systemd/bench.toml has no line %s", line)
		}
	}
}

// The manual pages of the files that people write tell every key that there is, and
// no other.
func TestPagesTellEveryKey(t *testing.T) {
	for page, file := range map[string]reflect.Type{"keyturn-bench.5": reflect.TypeFor[config.Bench](), "keyturn-box.5": reflect.TypeFor[config.Box](), "keyturn-exercise.5": reflect.TypeFor[config.Exercise](), "keyturn-script.5": reflect.TypeFor[config.Script]()} { // each page by itself
		t.Run(page, func(t *testing.T) { keysTold(t, page, file) })
	}
}

func keysTold(t *testing.T, page string, file reflect.Type) {
	text, err := os.ReadFile(filepath.Join(top(t), "systemd", page))
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		if item, ok := strings.CutPrefix(line, ".It Li "); ok {
			for _, key := range strings.Split(strings.TrimSpace(item), " , ") {
				told[key] = true
			}
		}
	}
	there := map[string]bool{}
	keysOf(file, there)
	for key := range there { // each by itself
		if !told[key] {
			t.Errorf("%s lacks the key %s: add .It Li %s with what it is and its default", page, key, key)
		}
	}
	for key := range told { // likewise
		if !there[key] {
			t.Errorf("%s tells of %s, which no such file has: remove it", page, key)
		}
	}
}

// The manual page of the box file names every kind of fuse.
func TestBoxPageTellsEveryKind(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top(t), "systemd", "keyturn-box.5"))
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range config.FuseKinds() {
		if want := ".It " + k.Name + "\n" + strings.ToUpper(k.What[:1]) + k.What[1:]; !strings.Contains(string(text), want) {
			t.Errorf("keyturn-box.5 lacks\n%s", want)
		}
	}
}

// keysOf gathers the keys below a type that hold values.
func keysOf(t reflect.Type, keys map[string]bool) {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return
	}
	for i := range t.NumField() {
		f := t.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		if key == "-" {
			continue // it is in no file
		}
		inner := f.Type
		for inner.Kind() == reflect.Slice || inner.Kind() == reflect.Pointer {
			inner = inner.Elem()
		}
		if inner.Kind() == reflect.Struct {
			keysOf(inner, keys)
			continue
		}
		keys[key] = true
	}
}
