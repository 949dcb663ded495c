package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"keyturn/protocol"
)

// file is one Go file of the tree.
type file struct {
	path string // from the top, with slashes
	dir  string
	test bool
	fset *token.FileSet
	ast  *ast.File
}

func (f *file) at(n ast.Node) string {
	return f.path + ":" + strconv.Itoa(f.fset.Position(n.Pos()).Line)
}

// top is the folder that holds go.mod.
func top(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no go.mod above the test")
		}
		dir = filepath.Dir(dir)
	}
}

func files(t *testing.T) []*file {
	t.Helper()
	root := top(t)
	var out []*file
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		rel, _ := filepath.Rel(root, path)
		rel = filepath.ToSlash(rel)
		f := &file{path: rel, dir: filepath.ToSlash(filepath.Dir(rel)), test: strings.HasSuffix(rel, "_test.go"), fset: token.NewFileSet()}
		f.ast, err = parser.ParseFile(f.fset, path, nil, parser.ParseComments)
		out = append(out, f)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// may is the import table: what a package may import besides the standard
// library, with the reason.
var may = map[string]struct {
	imports []string
	why     string
}{
	"protocol":                   {nil, "a leaf: whoever speaks to a bench needs it alone"},
	"protocol/protocoltest":      {[]string{"protocol", "github.com/santhosh-tekuri/jsonschema/v6"}, "a test aid"},
	"adc":                        {nil, "values and scanning; registers are one folder down"},
	"adc/ads1x15":                {[]string{"adc", "periph.io/x/conn/v3"}, "a driver knows its bus and the values"},
	"adc/ina226":                 {[]string{"adc", "periph.io/x/conn/v3"}, "a driver knows its bus and the values"},
	"adc/adctest":                {[]string{"adc", "periph.io/x/conn/v3"}, "simulated chips know no driver"},
	"adc/vehicle":                {[]string{"adc"}, "the model knows no instrument"},
	"adc/capture":                {[]string{"adc"}, "a codec of inputs"},
	"daemon":                     {[]string{"adc", "protocol", "daemon/measure", "daemon/drive", "daemon/config", "daemon/link", "daemon/outbox", "periph.io/x/conn/v3"}, "joins the parts; of periph the interfaces of GPIO lines"},
	"daemon/measure":             {[]string{"adc"}, "pure: values in, events out"},
	"daemon/measure/spicetest":   {nil, "a test aid: a circuit simulator as an outside judge"},
	"daemon/drive":               {nil, "pure: time and inputs in, lines out; nothing beside it can switch anything"},
	"daemon/drive/drivetest":     {nil, "a test aid: a judge that shares nothing with what it judges"},
	"daemon/config":              {[]string{"adc", "daemon/measure", "daemon/drive", "daemon/handbook", "github.com/pelletier/go-toml/v2"}, "pure: bytes in, values out"},
	"daemon/handbook":            {nil, "pure: published tables, each value with its source"},
	"daemon/judge":               {[]string{"daemon/handbook"}, "pure: its inputs are small values of its own"},
	"daemon/evidence":            {[]string{"protocol", "daemon/config", "daemon/handbook", "daemon/judge", "daemon/report"}, "pure: documents and box files in, the judge's values out"},
	"daemon/report":              {[]string{"protocol", "daemon/handbook", "daemon/judge"}, "pure: documents and judgements in, words out"},
	"daemon/outbox":              {[]string{"protocol", "modernc.org/sqlite"}, "keeps documents, knows no network"},
	"daemon/dashboard":           {[]string{"protocol", "daemon/config", "daemon/link", "daemon/records", "daemon/report", "daemon/judge", "daemon/evidence", "daemon/dashboard/access", "daemon/dashboard/picture", "daemon/dashboard/photo", "github.com/boombuler/barcode"}, "shows documents and exercises; knows neither measuring nor SQL"},
	"daemon/dashboard/access":    {[]string{"daemon/records", "github.com/alexedwards/argon2id", "github.com/alexedwards/scs/v2", "golang.org/x/crypto", "golang.org/x/text", "golang.org/x/time"}, "users and sessions; knows no page"},
	"daemon/dashboard/picture":   {[]string{"protocol", "daemon/report"}, "pure: documents in, pictures out"},
	"daemon/dashboard/photo":     {[]string{"github.com/bep/imagemeta", "golang.org/x/image"}, "pure: bytes in, bytes out"},
	"daemon/records":             {[]string{"protocol", "modernc.org/sqlite", "github.com/jackc/pgx/v5", "github.com/parquet-go/parquet-go"}, "keeps documents in SQL, knows no network"},
	"daemon/records/recordstest": {nil, "a test aid: a database server as it is shipped"},
	"daemon/link/linktest":       {nil, "a test aid: a broker as an outside judge"},
	"daemon/link":                {[]string{"protocol", "daemon/outbox", "github.com/eclipse/paho.mqtt.golang"}, "the only one that knows the MQTT library"},
}

// onlyHere are packages that may be imported in one place only.
var onlyHere = map[string]string{
	"github.com/eclipse/paho.mqtt.golang": "daemon/link",
	"periph.io/x/host/v3":                 "cmd/internal/parts",
}

func TestImports(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range files(t) {
		seen[f.dir] = true
		if f.test {
			continue
		}
		row, listed := may[f.dir]
		if !listed && !strings.HasPrefix(f.dir, "cmd/") {
			t.Errorf("%s: folder %s is not in the import table: add it with what it may import and why", f.path, f.dir)
			continue
		}
		for _, spec := range f.ast.Imports {
			path, _ := strconv.Unquote(spec.Path.Value)
			for lib, home := range onlyHere {
				if (path == lib || strings.HasPrefix(path, lib+"/")) && f.dir != home {
					t.Errorf("%s: %s may be imported in %s only", f.at(spec), lib, home)
				}
			}
			if first, _, _ := strings.Cut(path, "/"); strings.HasPrefix(f.dir, "cmd/") || !strings.Contains(first, ".") && first != "keyturn" {
				continue
			}
			path = strings.TrimPrefix(path, "keyturn/")
			if !slices.ContainsFunc(row.imports, func(x string) bool {
				return path == x || strings.Contains(x, ".") && strings.HasPrefix(path, x+"/")
			}) {
				t.Errorf("%s: %s may not import %s: %s", f.at(spec), f.dir, path, row.why)
			}
		}
	}
	for dir := range may { // each row is checked by itself
		if !seen[dir] {
			t.Errorf("the import table lists %s, which is not there", dir)
		}
	}
}

// pure are the packages that hold no goroutine, lock, clock, log, file, socket or
// context.
var pure = []string{"daemon/measure", "daemon/drive", "daemon/config", "daemon/handbook", "daemon/report", "daemon/judge", "daemon/evidence", "daemon/dashboard/picture", "daemon/dashboard/photo"}

func TestPureStaysPure(t *testing.T) {
	banned := []string{"os", "net", "log", "log/slog", "context", "sync", "sync/atomic", "math/rand", "math/rand/v2", "io/fs", "os/exec"}
	clock := []string{"Now", "Sleep", "After", "Tick", "NewTimer", "NewTicker", "Since", "Until", "AfterFunc"}
	for _, f := range files(t) {
		if f.test || !slices.Contains(pure, f.dir) {
			continue
		}
		for _, spec := range f.ast.Imports {
			if path, _ := strconv.Unquote(spec.Path.Value); slices.Contains(banned, path) {
				t.Errorf("%s: a pure package imports %s", f.at(spec), path)
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: a pure package starts a goroutine", f.at(n))
			case *ast.ChanType, *ast.SelectStmt:
				t.Errorf("%s: a pure package uses a channel", f.at(n))
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clock, n.Sel.Name) {
					t.Errorf("%s: a pure package asks the clock: time.%s", f.at(n), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// The gate runs the tests of pure packages without the race detector: it must mean the
// same packages.
func TestTheGateKnowsWhatIsPure(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top(t), ".ci/test"))
	if err != nil {
		t.Fatal(err)
	}
	if want := "\npure=\"./" + strings.Join(pure, " ./") + "\"\n"; !strings.Contains(string(text), want) {
		t.Errorf(".ci/test does not say %q", want)
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	docs := map[string][]string{}
	for _, f := range files(t) {
		if f.test {
			continue
		}
		docs[f.dir] = append(docs[f.dir], "")
		if f.ast.Doc != nil {
			docs[f.dir][len(docs[f.dir])-1] = f.path
		}
	}
	for dir, paths := range docs { // each folder is checked by itself
		n := 0
		for _, p := range paths {
			if p != "" {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%s: %d package comments, want one", dir, n)
		}
	}
}

func TestExportedNamesAreDocumented(t *testing.T) {
	for _, f := range files(t) {
		if f.test || strings.HasPrefix(f.dir, "cmd/") {
			continue
		}
		for _, d := range f.ast.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() && d.Doc == nil && exportedReceiver(d) {
					t.Errorf("%s: %s has no comment", f.at(d), d.Name.Name)
				}
			case *ast.GenDecl:
				for _, s := range d.Specs {
					switch s := s.(type) {
					case *ast.TypeSpec:
						if s.Name.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
							t.Errorf("%s: %s has no comment", f.at(s), s.Name.Name)
						}
					case *ast.ValueSpec:
						if s.Names[0].IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
							t.Errorf("%s: %s has no comment", f.at(s), s.Names[0].Name)
						}
					}
				}
			}
		}
	}
}

func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	exported := false
	ast.Inspect(d.Recv, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok && id.IsExported() {
			exported = true
		}
		return true
	})
	return exported
}

func TestNoHiddenStateAndNoHiddenTests(t *testing.T) {
	for _, f := range files(t) {
		if f.dir == "cmd/internal/house" {
			continue
		}
		for _, d := range f.ast.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				t.Errorf("%s: init(): list it in main instead", f.at(fn))
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			s, ok := n.(*ast.SelectorExpr)
			if !ok || !f.test {
				return true
			}
			x, ok := s.X.(*ast.Ident)
			if ok && (x.Name == "t" || x.Name == "b") && (s.Sel.Name == "Skip" || s.Sel.Name == "Skipf" || s.Sel.Name == "SkipNow") {
				t.Errorf("%s: a skipped test hides a missing tool: let it fail", f.at(s))
			}
			if ok && x.Name == "time" && s.Sel.Name == "Sleep" {
				t.Errorf("%s: a test sleeps: use simulated time or wait for what is meant", f.at(s))
			}
			return true
		})
	}
}

func TestTopLevel(t *testing.T) {
	allowed := []string{"cmd", "daemon", "adc", "protocol", "systemd", "testdata", "README.md", "DEVELOPERS.md", "go.mod", "go.sum"}
	entries, err := os.ReadDir(top(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(allowed, e.Name()) {
			t.Errorf("%s stands at the top, where the layout knows no such entry", e.Name())
		}
	}
}

// The README's topic table says what the code's does.
func TestReadmeTopicsAreTheCodes(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top(t), "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile("(?m)^\\| `([a-z/{}-]+)` \\| (yes|no) \\| ([012]) \\| (.+) \\|$")
	var got []string
	for _, m := range row.FindAllStringSubmatch(string(text), -1) {
		got = append(got, strings.Join(m[1:], "|"))
	}
	var want []string
	for _, m := range protocol.Messages() {
		retained := map[bool]string{true: "yes", false: "no"}[m.Retained]
		want = append(want, strings.Join([]string{m.Name, retained, strconv.Itoa(int(m.QoS)), m.About}, "|"))
	}
	if !slices.Equal(got, want) {
		t.Errorf("README has\n%s\nthe code\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
