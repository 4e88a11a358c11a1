package main

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"plumbstar/deploy/rig/plan"
)

// A guest passes only when every point of its plan was proved and none failed.
func TestVerdict(t *testing.T) {
	g := guest{name: "g", plan: plan.Plan{}}
	var all []string
	for _, p := range g.plan.Points() {
		all = append(all, "[ 1.2] words of the kernel RIG point "+p+": proof: of "+p+"\r")
	}
	lines := func(extra ...string) string {
		return strings.Join(append(append([]string{}, all...), extra...), "\n") + "\n"
	}
	for _, c := range []struct {
		name, console, want string
		good, ended         bool
	}{
		{"all", lines("RIG end"), "g kernel: proof: of kernel", true, true},
		{"one is missing", strings.Replace(lines("RIG end"), "RIG point scan", "RIG pint scan", 1), "g scan: FAILED: the guest did not come to it", false, true},
		{"one failed", strings.Replace(lines("RIG end"), "RIG point scan", "RIG FAIL scan", 1), "g scan: FAILED: proof: of scan", false, true},
		{"something else failed", lines("RIG FAIL bench: why", "RIG end"), "g bench: FAILED: why", false, true},
		{"no end", lines(), "", true, false},
	} {
		r := result{points: map[string]string{}, failed: map[string]string{}, asked: func(string) {}}
		r.read(strings.NewReader(c.console), io.Discard)
		var out bytes.Buffer
		if good := g.verdict(r, &out); good != c.good || r.ended != c.ended || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: good %v, ended %v:\n%s", c.name, good, r.ended, out.String())
		}
	}
}

func TestDependencies(t *testing.T) {
	if _, err := dependencies([]byte("not a module")); err == nil {
		t.Error("text passed for a module")
	}
}

func FuzzModule(f *testing.F) {
	f.Add([]byte("\x7fELF"))
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _ = dependencies(b) // it must not panic
	})
}
