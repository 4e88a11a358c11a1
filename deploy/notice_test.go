package deploy_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write what the tests of this package compare with anew")

// modulesTitle begins the part of NOTICE that is made from the modules; what
// stands before it is written by hand.
const (
	rule         = "================================================================================\n"
	modulesTitle = rule + "Go modules linked into the program\n" + rule
)

// licenceNames begin the files by which a module says how it may be used.
var licenceNames = []string{"license", "licence", "copying", "notice", "third_party_licenses"}

// linkedModules maps the path of each module that is linked into the program on
// any architecture of the package to its folder.
func linkedModules(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, arch := range []string{"amd64", "arm64", "arm"} {
		cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{.Path}}\t{{.Dir}}{{end}}", "./cmd/plumbstar")
		cmd.Dir = ".."
		cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
		list, err := cmd.Output()
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		for line := range strings.Lines(string(list)) {
			if path, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok && path != module {
				out[path] = dir
			}
		}
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	out["Go standard library and runtime"] = strings.TrimSpace(string(root))
	return out
}

// licenceFiles of a module's folder, relative to it.
func licenceFiles(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		name := strings.ToLower(e.Name())
		if !slices.ContainsFunc(licenceNames, func(n string) bool { return strings.HasPrefix(name, n) }) || strings.Contains(name, "logo") {
			continue
		}
		if !e.IsDir() {
			out = append(out, e.Name())
			continue
		}
		below, err := os.ReadDir(filepath.Join(dir, e.Name()))
		if err != nil {
			return nil, err
		}
		for _, b := range below {
			if !b.IsDir() {
				out = append(out, filepath.Join(e.Name(), b.Name()))
			}
		}
	}
	return out, nil
}

// plainText drops what differs between copies of one text and means nothing.
func plainText(b []byte) string {
	b = bytes.ReplaceAll(b, []byte("\r\n"), []byte("\n"))
	lines := strings.Split(strings.Trim(string(b), "\n"), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " \t")
	}
	return strings.Join(lines, "\n")
}

// moduleNotices is the part of NOTICE for the modules: who uses a text, then the
// text, each once. The Apache License, which is the program's own, is not repeated.
func moduleNotices(modules map[string]string) (string, error) {
	users := map[string][]string{}
	var texts []string
	var apache []string
	for _, path := range sortedKeys(modules) {
		files, err := licenceFiles(modules[path])
		if err != nil {
			return "", err
		}
		if len(files) == 0 {
			return "", fmt.Errorf("%s: no licence file found: read how it may be used, and add the name of that file to licenceNames", path)
		}
		for _, f := range files {
			raw, err := os.ReadFile(filepath.Join(modules[path], f))
			if err != nil {
				return "", err
			}
			text := plainText(raw)
			user := path
			if len(files) > 1 {
				user += " (" + filepath.ToSlash(f) + ")"
			}
			if words := strings.Join(strings.Fields(text), " "); strings.HasPrefix(words, "Apache License Version 2.0, January 2004") {
				apache = append(apache, user)
				continue
			}
			if users[text] == nil {
				texts = append(texts, text)
			}
			users[text] = append(users[text], user)
		}
	}
	var b strings.Builder
	b.WriteString(modulesTitle)
	fmt.Fprintf(&b, "\nUnder the Apache License 2.0 as the program itself, see LICENSE:\n    %s\n", strings.Join(apache, "\n    "))
	for _, text := range texts {
		fmt.Fprintf(&b, "\n%s%s\n\n", rule, strings.Join(users[text], "\n"))
		for _, line := range strings.Split(text, "\n") {
			if line != "" {
				line = "    " + line
			}
			b.WriteString(line + "\n")
		}
	}
	return b.String(), nil
}

func sortedKeys(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func TestNoticeHoldsTheLicenceOfEveryLinkedModule(t *testing.T) {
	modules := linkedModules(t)
	if len(modules) < 20 {
		t.Fatalf("only %d modules found: the list cannot be right", len(modules))
	}
	want, err := moduleNotices(modules)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile("NOTICE")
	if err != nil {
		t.Fatal(err)
	}
	hand, got, _ := strings.Cut(string(b), modulesTitle)
	if got = modulesTitle + got; got == want {
		return
	}
	if *update {
		if err := os.WriteFile("NOTICE", []byte(strings.TrimRight(hand, "\n")+"\n\n"+want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	for _, path := range sortedKeys(modules) {
		if !strings.Contains(got, path) {
			t.Errorf("NOTICE lacks %s", path)
		}
	}
	t.Error("NOTICE is not what the linked modules ask for: run `go test ./deploy -run Notice -update` and read the difference")
}

func TestNoticeRefusesAModuleWithoutALicence(t *testing.T) {
	if _, err := moduleNotices(map[string]string{"example.org/bare": t.TempDir()}); err == nil || !strings.Contains(err.Error(), "example.org/bare: no licence file") {
		t.Errorf("%v", err)
	}
}

// What is built into the program beside code, and under which heading of NOTICE
// its source stands.
func TestNoticeNamesEmbeddedData(t *testing.T) {
	headings := map[string]string{
		module + "/astro/geomag": "World Magnetic Model",
		module + "/astro/sky":    "Star lists",
		module + "/api":          "The phone page",
		module + "/api/report":   "The phone page",
		module + "/api/display":  "Letters of the display",
	}
	notice, err := os.ReadFile("NOTICE")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("go", "list", "-f", "{{if .EmbedFiles}}{{.ImportPath}}{{end}}", "./...")
	cmd.Dir = ".."
	list, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	found := strings.Fields(string(list))
	if len(found) < 3 {
		t.Fatalf("only %q embed files: the list cannot be right", found)
	}
	for _, pkg := range found {
		heading, ok := headings[pkg]
		if !ok {
			t.Errorf("%s embeds files: name their source in NOTICE, and its heading in this test", pkg)
		} else if !bytes.Contains(notice, []byte("\n"+rule+heading)) {
			t.Errorf("NOTICE lacks the heading %q, for %s", heading, pkg)
		}
	}
}
