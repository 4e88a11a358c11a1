package api

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// source is what the Go source itself tells of the board's words: the codes that
// go with a text, and the texts. It is read, not run, so that a new one is seen
// on the day it is written.
type source struct {
	t *testing.T
	// codes are stable names and where each stands; one that ends in "*" is the
	// beginning of several.
	codes map[string]string
	// texts are sentences and parts of sentences, with {} where a value goes.
	texts map[string]string
	// literals are all strings of the source, with {} where a value goes.
	literals map[string]bool
	quiet    bool // texts inside a text are not noted
	// functions of the package that is read: the places of parameters that count.
	code, text map[string]map[int]bool
}

// textual are names of fields, parameters and variables that hold what a person reads.
var textual = map[string]bool{"text": true, "why": true, "reason": true, "advice": true, "message": true, "subject": true, "missing": true, "problem": true, "detail": true, "note": true, "notkept": true, "unknown": true}

// readSource reads the packages whose words reach the page.
func readSource(t *testing.T, folders ...string) *source {
	t.Helper()
	s := &source{t: t, codes: map[string]string{}, texts: map[string]string{}, literals: map[string]bool{}}
	for _, folder := range folders {
		names, err := filepath.Glob(filepath.Join("..", folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		set := token.NewFileSet()
		var files []*ast.File
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(set, name, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
		}
		if len(files) == 0 {
			t.Fatalf("no source in %s", folder)
		}
		s.code, s.text = map[string]map[int]bool{}, map[string]map[int]bool{}
		for _, f := range files {
			ast.Inspect(f, s.learn)
		}
		for _, f := range files {
			at := strings.TrimPrefix(set.Position(f.Pos()).Filename, "../")
			ast.Inspect(f, func(n ast.Node) bool { return s.look(n, at) })
		}
	}
	return s
}

// learn notes which functions take a code or a text, and at which place.
func (s *source) learn(n ast.Node) bool {
	note := func(name string, f *ast.FuncType) {
		i := 0
		for _, field := range f.Params.List {
			for _, p := range field.Names {
				for kind, into := range map[bool]map[string]map[int]bool{p.Name == "code": s.code, textual[p.Name]: s.text} {
					if kind && isString(field.Type) {
						if into[name] == nil {
							into[name] = map[int]bool{}
						}
						into[name][i] = true
					}
				}
				i++
			}
		}
	}
	switch n := n.(type) {
	case *ast.FuncDecl:
		note(n.Name.Name, n.Type)
	case *ast.AssignStmt:
		for i, r := range n.Rhs {
			if f, ok := r.(*ast.FuncLit); ok && len(n.Lhs) == len(n.Rhs) {
				note(nameIn(n.Lhs[i]), f.Type)
			}
		}
	}
	return true
}

func isString(e ast.Expr) bool {
	id, ok := e.(*ast.Ident)
	return ok && id.Name == "string"
}

func nameIn(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return e.Sel.Name
	}
	return ""
}

func isTextual(name string) bool {
	return textual[strings.ToLower(name)] || strings.HasSuffix(strings.ToLower(name), "advice")
}

// look collects what one node says.
func (s *source) look(n ast.Node, at string) bool {
	switch n := n.(type) {
	case *ast.BasicLit:
		if n.Kind == token.STRING {
			v := literal(s.t, n)
			s.literals[v] = true
			s.literals[placesIn(v)] = true
		}
	case *ast.BinaryExpr:
		if n.Op == token.ADD {
			s.quiet = true
			s.literals[s.textOf(n, at)] = true
			s.quiet = false
		}
	case *ast.CompositeLit:
		if nameIn(n.Type) == "Event" {
			return false // told by its kind
		}
	case *ast.KeyValueExpr:
		name := nameIn(n.Key)
		if name == "Code" {
			s.addCode(n.Value, at)
		}
		if isTextual(name) {
			s.addText(n.Value, at)
		}
	case *ast.AssignStmt:
		for i, l := range n.Lhs {
			if len(n.Lhs) != len(n.Rhs) {
				break
			}
			if nameIn(l) == "code" || nameIn(l) == "Code" {
				s.addCode(n.Rhs[i], at)
			}
			if isTextual(nameIn(l)) {
				s.addText(n.Rhs[i], at)
			}
		}
	case *ast.ValueSpec:
		for i, name := range n.Names {
			if i >= len(n.Values) || !isTextual(name.Name) {
				continue
			}
			if table, ok := n.Values[i].(*ast.CompositeLit); ok {
				for _, e := range table.Elts {
					if kv, ok := e.(*ast.KeyValueExpr); ok {
						s.addText(kv.Value, at)
					}
				}
				continue
			}
			s.addText(n.Values[i], at)
		}
	case *ast.CallExpr:
		name := nameIn(n.Fun)
		for i, a := range n.Args {
			if s.code[name][i] {
				s.addCode(a, at)
			}
			if s.text[name][i] {
				s.addText(a, at)
			}
		}
		if sel, ok := n.Fun.(*ast.SelectorExpr); ok && (name == "Errorf" || name == "New" && nameIn(sel.X) == "errors") {
			s.addText(n, at)
		}
	case *ast.FuncDecl:
		// What a function returns as a named text.
		if n.Type.Results == nil || n.Body == nil {
			return true
		}
		if isTextual(n.Name.Name) {
			ast.Inspect(n.Body, func(m ast.Node) bool {
				if r, ok := m.(*ast.ReturnStmt); ok && len(r.Results) == 1 {
					s.addText(r.Results[0], at)
				}
				return true
			})
		}
	}
	return true
}

func (s *source) addCode(e ast.Expr, at string) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if c := literal(s.t, e); !strings.Contains(c, "%") { // a pairing code
			s.codes[c] = at
		}
	case *ast.BinaryExpr:
		if l, ok := e.X.(*ast.BasicLit); ok {
			s.codes[literal(s.t, l)+"*"] = at
			return
		}
		s.t.Errorf("%s: a code that this test cannot read", at)
	case *ast.Ident, *ast.SelectorExpr, *ast.UnaryExpr: // passed on: its source is seen elsewhere
	case *ast.CallExpr:
		for _, a := range e.Args {
			s.addCode(a, at)
		}
	default:
		s.t.Errorf("%s: a code of kind %T that this test cannot read", at, e)
	}
}

func literal(t *testing.T, l *ast.BasicLit) string {
	v, err := strconv.Unquote(l.Value)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

var verb = regexp.MustCompile(`%[-+# 0-9.]*[a-zA-Z]`)

// placesIn has {} in place of the verbs of a format.
func placesIn(format string) string {
	return strings.ReplaceAll(verb.ReplaceAllString(strings.ReplaceAll(format, "%%", "\x00"), "{}"), "\x00", "%")
}

func (s *source) addText(e ast.Expr, at string) {
	if t := s.textOf(e, at); !s.quiet && regexp.MustCompile(`[A-Za-z]{2}.* .*[A-Za-z]{2}`).MatchString(t) {
		s.texts[t] = at
	}
}

// textOf is an expression as a text, with {} for what is filled in.
func (s *source) textOf(e ast.Expr, at string) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			return literal(s.t, e)
		}
	case *ast.BinaryExpr:
		if e.Op == token.ADD {
			return s.textOf(e.X, at) + s.textOf(e.Y, at)
		}
	case *ast.ParenExpr:
		return s.textOf(e.X, at)
	case *ast.CallExpr:
		if sel, ok := e.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "New" && nameIn(sel.X) == "errors" {
			return s.textOf(e.Args[0], at)
		}
		if n := nameIn(e.Fun); (n == "Sprintf" || n == "Errorf") && len(e.Args) > 0 {
			for _, a := range e.Args[1:] {
				s.addText(a, at)
			}
			f := s.textOf(e.Args[0], at)
			return placesIn(f)
		}
		for _, a := range e.Args {
			s.addText(a, at)
		}
	}
	return "{}"
}

// wordFolders hold the words that reach the page.
var wordFolders = []string{
	"daemon", "daemon/estimator", "daemon/guidance", "daemon/nightlog", "daemon/watch",
	"sensors/calib", "sensors/stability", "sensors/gnss", "astro/pole", "astro/sky", "api", "api/alarms",
}

// notShown are texts that no person at the page reads.
var notShown = []struct{ at, why string }{
	{`^\S+ (api|alarms|daemon|alarms\.mqtt|alarms\.webhook): `, "the program does not start with it"},
	{`^daemon/(options|watchoptions|air)\.go `, "the same"},
	{`^api/(authority|pairing_dir|static|export|stream|events|text)\.go `, "the console, or programs"},
	{`^daemon/(nights|rearm|watching)\.go (.*the Sun is|.*(watch goes on|The watch is armed|How far the axis stands|watch was armed|program was started|site or clock are not)|While the program|it has lasted|waiting for a|; whether)`, "events have words of their own by kind"},
	{`^daemon/(damaged|guidance/knobs)\.go [^A-Z]`, "technical reasons, which the page leaves out"},
	{`^daemon/estimator/filter_results\.go `, "compares recordings"},
	{`^daemon/guidance/compute\.go .*(is right|Leave it|The sensors tell no more|known only|known$)`, "the page makes the sentence of the move itself"},
	{`^daemon/nightlog/(aside|backup|dictionary|fullrate|rowwriter|sample)\.go `, "files and commands"},
	{`^sensors/calib/(affinejson|recording)\.go `, "files"},
	{`^sensors/stability/(allan|analyse|rest|trend)\.go `, "the command stability"},
	{`^sensors/stability/learn\.go the board sat`, "stands among nights that were left out, which the page does not list"},
	{`^sensors/gnss/(client|fields|gpsd|sentence|sink)\.go `, "technical text beside the advice"},
	{`^astro/(sky|pole)/(aim|finder|fromdrift|fromfinder|fromframes|prior|lists|moment|target|twilight)\.go `, "the page refuses it first, or shows it beside the words for its code"},
	{`^\S+ \S+( \{\})?: (choose|use) |^\S+ (nothing is at|\{\} does not take|this board is not called|role|focal_mm|error_arcmin|offset|severity|time|calibration|how|kind|planet|adjuster) `, "the page asks for nothing else than there is"},
	{`^daemon/(daemon|receiving|reference)\.go (clock sigma|position with sigma|system clock sigma|axis )|^daemon/estimator/reference\.go .*reference`, "the same"},
	{`^api/alarms/mqttlink\.go (a packet|packet)|^api/alarms/webhook\.go ca_file|^api/alarms/alarms\.go no such|^daemon/nightlog/errors\.go (the data|too many)`, "for who writes the other end"},
	{`^astro/pole/identify\.go (star )?\{\} `, "the same"},
	{`^api/alarms/alarms\.go This is a trial`, "for the receivers"},
}

var germanRow = regexp.MustCompile(`(?m)^    \[("(?:[^"\\]|\\.)*"), ("(?:[^"\\]|\\.)*")\],$`)
var germanCode = regexp.MustCompile(`(?m)^    (?:"([\w*-]+)"|([\w]+)): "(.+)",$`)

// german reads the page's table of the board's sentences.
func german(t *testing.T) (codes, sentences map[string]string) {
	t.Helper()
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	codes, sentences = map[string]string{}, map[string]string{}
	text := string(page["/board.de.js"].body)
	for _, m := range germanCode.FindAllStringSubmatch(text, -1) {
		codes[m[1]+m[2]] = m[3]
	}
	for _, m := range germanRow.FindAllStringSubmatch(text, -1) {
		var pair [2]string
		for i := range pair {
			if pair[i], err = strconv.Unquote(m[i+1]); err != nil {
				t.Fatalf("%s: %v", m[i+1], err)
			}
		}
		if _, twice := sentences[pair[0]]; twice {
			t.Errorf("%q is there twice", pair[0])
		}
		sentences[pair[0]] = pair[1]
	}
	if rows := strings.Count(text, "\n    "); rows != len(codes)+len(sentences)+strings.Count(text, "\n    //") {
		t.Errorf("%d lines of words, %d of them can be read", rows, len(codes)+len(sentences))
	}
	return codes, sentences
}

// TestGermanOfTheBoard: each code that the source can send has German words, nearly
// each sentence too, and hardly any German stands for what is no longer said.
func TestGermanOfTheBoard(t *testing.T) {
	s := readSource(t, wordFolders...)
	if len(s.codes) < 75 || len(s.texts) < 350 {
		t.Fatalf("%d codes and %d texts in the source: does this test still read it?", len(s.codes), len(s.texts))
	}
	codes, sentences := german(t)
	for code, at := range s.codes {
		if codes[code] == "" {
			t.Errorf("%s: the code %q has no German in board.de.js", at, code)
		}
	}
	for code := range codes {
		if s.codes[code] == "" {
			t.Errorf("board.de.js: the source has no code %q", code)
		}
	}
	used := make([]bool, len(notShown))
	var missing, stale []string
texts:
	for text, at := range s.texts {
		if sentences[text] != "" {
			continue
		}
		for i, n := range notShown {
			if regexp.MustCompile(n.at).MatchString(at + " " + text) {
				used[i] = true
				continue texts
			}
		}
		missing = append(missing, at+": "+text)
	}
	// A sentence without German shows the words for its code or stays English, so a
	// few may wait for their translator; the codes may not.
	t.Logf("%d of %d texts have no German yet: %s", len(missing), len(s.texts), strings.Join(missing, "; "))
	if len(missing) > len(s.texts)/30 {
		t.Errorf("too many sentences have no German in board.de.js:\n%s", strings.Join(missing, "\n"))
	}
	for i, n := range notShown {
		if !used[i] {
			t.Logf("nothing matches %q any more", n.at)
		}
	}
	for text, own := range sentences {
		if s.texts[text] == "" && !s.literals[text] {
			stale = append(stale, text)
		}
		if strings.Count(text, "{}") < strings.Count(own, "{") {
			t.Errorf("board.de.js: %q has more places than %q", own, text)
		}
	}
	if len(stale) > len(sentences)/30 {
		t.Errorf("board.de.js has German for what the source no longer says:\n%s", strings.Join(stale, "\n"))
	}
}

// TestEventsHaveWords: the page has words for each kind of event, each part of the
// uncertainty and each fault.
func TestEventsHaveWords(t *testing.T) {
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	kinds := 0
	for _, name := range []string{"../daemon/events.go", "../daemon/watch/finding.go"} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`(?m)^\s+(?:Event\w+|\w+ Kind)\s+= "([\w-]+)"`).FindAllStringSubmatch(string(text), -1) {
			kinds++
			for _, lang := range []string{"en", "de"} {
				if !regexp.MustCompile(`(?m)^    "?` + m[1] + `"?: "`).Match(page["/strings."+lang+".js"].body) {
					t.Errorf("strings.%s.js has no words for the event %q", lang, m[1])
				}
			}
		}
	}
	names := 0
	for group, x := range map[string][2]string{
		"part":  {"../daemon/estimator/budget.go", `(?m)^\s+part\w+\s+= "([\w ]+)"`},
		"fault": {"../sensors/errors.go", `(?m)^\s+Fault\w+ Fault = "([\w-]+)"`},
	} {
		text, err := os.ReadFile(x[0])
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(x[1]).FindAllStringSubmatch(string(text), -1) {
			names++
			for _, lang := range []string{"en", "de"} {
				if !regexp.MustCompile(`(?s)\n  ` + group + `: \{.{0,700}?\b"?` + m[1] + `"?: "`).Match(page["/strings."+lang+".js"].body) {
					t.Errorf("strings.%s.js has no words for the %s %q", lang, group, m[1])
				}
			}
		}
	}
	if kinds < 24 || names < 14 {
		t.Errorf("only %d kinds, %d parts and faults found: does this test still read them?", kinds, names)
	}
}
