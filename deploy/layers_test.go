// Package deploy_test checks the tree itself: who imports whom, and what the
// pure packages must not touch.
package deploy_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "plumbstar"

// layers in the order of the arrows: each may import those behind it. deploy
// holds tests and test rigs of the whole and stands first.
var layers = map[string][]string{
	"deploy":  {"cmd", "api", "daemon", "sensors", "astro"},
	"cmd":     {"api", "daemon", "sensors", "astro"},
	"api":     {"daemon", "sensors", "astro"},
	"daemon":  {"sensors", "astro"},
	"sensors": nil,
	"astro":   nil,
}

// sameLayer lists who may import whom inside one layer, beside a subpackage
// its folder's root.
var sameLayer = map[string][]string{
	"api":             {"api/alarms", "api/mdns", "api/web", "api/report"},
	"daemon":          {"daemon/config", "daemon/estimator", "daemon/guidance", "daemon/watch", "daemon/nightlog"},
	"daemon/guidance": {"daemon/estimator"},
	"daemon/watch":    {"daemon/estimator"},
}

// notDrivers are the subpackages of sensors that drive no chip.
var notDrivers = []string{"sensors/sim", "sensors/recorded", "sensors/calib", "sensors/stability", "sensors/gnss", "sensors/stability", "sensors/sensortest"}

// rigMayUse is all of ours that the kernel rig may import: it knows the program by
// its command line and its API.
var rigMayUse = []string{"deploy/rig", "sensors", "sensors/sim", "astro", "astro/geomag", "daemon/scenario"}

// pure packages take time as an argument: no clock, file, goroutine or logger.
var pure = []string{
	"sensors", "sensors/calib", "sensors/stability", "daemon/estimator", "daemon/guidance", "daemon/watch",
	"astro", "astro/geomag", "astro/sky", "astro/pole", "astro/trail",
}

// borders names, for each import path or what begins with it, the packages (or
// what lies below them) that may use it. "test" stands for every test file.
var borders = []struct {
	path  string
	users []string
}{
	{"periph.io/x/host/v3", []string{"cmd"}},
	{"periph.io/x/devices/v3", []string{"driver", "cmd", "api/display"}},
	{"periph.io/x/conn/v3", []string{"sensors", "daemon", "api/alarms", "api/display", "cmd", "test"}},
	{"github.com/soniakeys/meeus/v3", []string{"astro"}},
	{"github.com/soniakeys/unit", []string{"astro", "daemon"}},
	{"github.com/soniakeys/sexagesimal", []string{"astro"}},
	{"gonum.org/v1/gonum", []string{"sensors", "astro", "daemon", "api", "cmd", "test"}},
	{"github.com/spf13/cobra", []string{"cmd"}},
	{"github.com/spf13/pflag", []string{"cmd"}},
	{"github.com/danielgtaylor/huma/v2", []string{"api"}},
	{"github.com/pelletier/go-toml/v2", []string{"daemon/config"}},
	{"database/sql", []string{"daemon/nightlog"}},
	{"modernc.org/sqlite", []string{"daemon/nightlog"}},
	{"go.bug.st/serial", []string{"sensors/gnss", "cmd"}},
	{"rsc.io/qr", []string{"api", "cmd"}},
	{"github.com/eclipse/paho.golang", []string{"api/alarms"}},
	{"golang.org/x/image", []string{"api/display", "test"}},
	{"golang.org/x/net", []string{"cmd", "test"}},
	{"golang.org/x/sys", []string{"cmd", "test"}},
	{"net/http", []string{"api", "cmd", "test"}},
	{"testing", []string{"sensors/sensortest", "test"}},
	{"pgregory.net/rapid", []string{"sensors/sensortest", "test"}},
	{"github.com/google/go-cmp", []string{"sensors/sensortest", "test"}},
	{"github.com/rogpeppe/go-internal", []string{"test"}},
	{"github.com/getkin/kin-openapi", []string{"test"}},
}

// notPure are the imports that a pure package has no use for.
var notPure = []string{"os", "log", "net", "syscall", "io/ioutil", "path/filepath", "context"}

// clockCalls read or wait for the real clock, which only cmd holds; timers may
// also be used by packages that serve or store.
var (
	clockCalls = []string{"Now", "Since", "Until", "Sleep"}
	timerCalls = []string{"After", "AfterFunc", "Tick", "NewTicker", "NewTimer"}
)

// source is one Go file: its package's folder, slash-separated from the
// module's root, and its syntax.
type source struct {
	dir, name string
	file      *ast.File
	pos       *token.FileSet
}

func (s source) test() bool { return strings.HasSuffix(s.name, "_test.go") }

func layerOf(dir string) string { l, _, _ := strings.Cut(dir, "/"); return l }

func within(dir, top string) bool { return dir == top || strings.HasPrefix(dir, top+"/") }

func isDriver(dir string) bool {
	return strings.HasPrefix(dir, "sensors/") && !slices.ContainsFunc(notDrivers, func(n string) bool { return within(dir, n) })
}

func isPure(dir string) bool { return slices.Contains(pure, dir) }

// violations of the layer rules by one file, each as "where: what".
func violations(s source) []string {
	var out []string
	complain := func(p token.Pos, format string, a ...any) {
		out = append(out, fmt.Sprintf("%s/%s:%d: ", s.dir, s.name, s.pos.Position(p).Line)+fmt.Sprintf(format, a...))
	}
	if base := path.Base(s.dir); slices.Contains([]string{"util", "utils", "common", "helpers", "misc", "shared"}, base) {
		complain(s.file.Package, "a package named %s has no subject", base)
	}
	if _, ok := layers[layerOf(s.dir)]; !ok {
		complain(s.file.Package, "Go files belong below cmd, api, daemon, sensors, astro or deploy")
		return out
	}
	names := map[string]string{} // local name -> import path
	for _, imp := range s.file.Imports {
		p, err := strconv.Unquote(imp.Path.Value)
		if err != nil {
			complain(imp.Pos(), "unreadable import %s", imp.Path.Value)
			continue
		}
		name := path.Base(p)
		if imp.Name != nil {
			name = imp.Name.Name
		}
		names[name] = p
		var why string
		if target, ours := strings.CutPrefix(p, module+"/"); ours {
			why = ownImport(s, target)
		} else {
			why = outsideImport(s, p)
		}
		if why == "" && name == "." && isPure(s.dir) && !s.test() {
			why = "hides what a pure package calls"
		}
		if why != "" {
			complain(imp.Pos(), "imports %s: %s", p, why)
		}
	}
	if s.test() {
		return out
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncDecl:
			if n.Recv == nil && n.Name.Name == "init" {
				complain(n.Pos(), "func init hides wiring: call it from cmd")
			}
		case *ast.GoStmt:
			if isPure(s.dir) {
				complain(n.Pos(), "a pure package starts no goroutine")
			}
		case *ast.CallExpr:
			if id, ok := n.Fun.(*ast.Ident); ok && isPure(s.dir) && (id.Name == "print" || id.Name == "println") {
				complain(n.Pos(), "a pure package prints nothing")
			}
		case *ast.SelectorExpr:
			x, ok := n.X.(*ast.Ident)
			if !ok || x.Obj != nil { // a variable of that name, not the package
				break
			}
			if why := selector(s, names[x.Name], n.Sel.Name); why != "" {
				complain(n.Pos(), "uses %s.%s: %s", names[x.Name], n.Sel.Name, why)
			}
		}
		return true
	})
	return out
}

// ownImport is why s may not import the package in folder target, or "".
func ownImport(s source, target string) string {
	from, to := layerOf(s.dir), layerOf(target)
	if from != to && !slices.Contains(layers[from], to) {
		return "arrows point cmd -> api -> daemon -> sensors | astro"
	}
	if within(target, "sensors/sensortest") && !s.test() && !within(s.dir, "sensors/sensortest") {
		return "only tests may"
	}
	if within(target, "daemon/scenario") && !s.test() && !within(s.dir, "daemon/scenario") && from != "cmd" && from != "deploy" {
		return "only tests and cmd may"
	}
	if within(s.dir, "sensors/sim") && isDriver(target) {
		return "the simulation is written apart from the drivers"
	}
	if within(s.dir, "deploy/rig") && !slices.ContainsFunc(rigMayUse, func(u string) bool { return target == u || u == "deploy/rig" && within(target, u) }) {
		return "the rig judges the program from outside: chips, places and field alone"
	}
	if from != to || s.test() || from == "deploy" {
		return ""
	}
	root := from != "daemon" && within(s.dir, target)
	if root || slices.Contains(sameLayer[s.dir], target) {
		return ""
	}
	return "siblings stay apart"
}

// outsideImport is why s may not import the package p of another module or of
// the standard library, or "".
func outsideImport(s source, p string) string {
	if p == "C" {
		return "the program is built without cgo"
	}
	if isPure(s.dir) && !s.test() {
		for _, no := range notPure {
			if within(p, no) {
				return "a pure package has no clock, file, goroutine or logger"
			}
		}
	}
	for _, b := range borders {
		if !within(p, b.path) {
			continue
		}
		for _, u := range b.users {
			if within(s.dir, u) || layerOf(s.dir) == "deploy" || (u == "test" && s.test()) || (u == "driver" && isDriver(s.dir)) {
				return ""
			}
		}
		return "its border is " + strings.Join(b.users, ", ")
	}
	if first, _, _ := strings.Cut(p, "/"); strings.Contains(first, ".") {
		return "no border is set for this module: add it to borders"
	}
	return ""
}

// selector is why s may not use the given name of package pkg, or "".
func selector(s source, pkg, name string) string {
	layer := layerOf(s.dir)
	switch {
	case pkg == "time" && slices.Contains(clockCalls, name) && layer != "cmd" && layer != "deploy":
		return "only cmd takes the real clock, and passes it in"
	case pkg == "time" && slices.Contains(timerCalls, name) && (isPure(s.dir) || isDriver(s.dir) || within(s.dir, "sensors/sim")):
		return "take time as an argument"
	case pkg == "fmt" && strings.HasPrefix(name, "Print") && layer != "cmd" && layer != "deploy":
		return "only cmd writes to standard output, through its env"
	case pkg == "testing" && name == "Testing":
		return "no code asks whether it is under test"
	}
	return ""
}

// parse reads one Go file's syntax.
func parse(dir, name string, src any) (source, error) {
	pos := token.NewFileSet()
	f, err := parser.ParseFile(pos, path.Join(dir, name), src, 0)
	return source{dir: dir, name: name, file: f, pos: pos}, err
}

func TestTreeKeepsItsLayers(t *testing.T) {
	files := 0
	err := filepath.WalkDir("..", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if n := d.Name(); p != ".." && (n == "testdata" || n == "node_modules" || n == "dist" || strings.HasPrefix(n, ".") || strings.HasPrefix(n, "_")) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") {
			return nil
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel("..", p)
		if err != nil {
			return err
		}
		s, err := parse(path.Dir(filepath.ToSlash(rel)), d.Name(), b)
		if err != nil {
			return err
		}
		files++
		for _, v := range violations(s) {
			t.Error(v)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 10 {
		t.Errorf("only %d Go files were found: the walk does not see the tree", files)
	}
}

func TestTopLevelHoldsWhatItShould(t *testing.T) {
	allowed := []string{
		"cmd", "api", "daemon", "sensors", "astro", "deploy", "testdata",
		"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE",
		"plumbstar", "dist", // built, ignored by git
	}
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		n := e.Name()
		if !slices.Contains(allowed, n) && !strings.HasPrefix(n, ".") && !strings.HasSuffix(n, ".test") && !strings.HasSuffix(n, ".prof") {
			t.Errorf("%s does not belong at the top level", n)
		}
	}
}
