//go:build linux

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// What is read of a process is what it did: here this test itself.
func TestUse(t *testing.T) {
	self, err := os.FindProcess(os.Getpid())
	if err != nil {
		t.Fatal(err)
	}
	p := &program{cmd: &exec.Cmd{Process: self}}
	before, err := p.use()
	if err != nil {
		t.Fatal(err)
	}
	const naps = 50
	for range naps {
		time.Sleep(time.Millisecond)
	}
	for end := time.Now().Add(30 * time.Millisecond); time.Now().Before(end); {
	}
	after, err := p.use()
	if err != nil {
		t.Fatal(err)
	}
	if n := after.wakeUps - before.wakeUps; n < naps/2 {
		t.Errorf("%d wake-ups for %d naps", n, naps)
	}
	if d := after.cpu - before.cpu; d <= 0 || d > after.at.Sub(before.at)*64 {
		t.Errorf("%v of processor time in %v", d, after.at.Sub(before.at))
	}
	if after.threads < 1 || after.rssMB < 1 || after.peakMB < after.rssMB || after.ownMB <= 0 || after.ownMB > after.rssMB {
		t.Errorf("%+v", after)
	}
}

func TestFields(t *testing.T) {
	name := filepath.Join(t.TempDir(), "status")
	if err := os.WriteFile(name, []byte("Name:\tx\nVmRSS:\t    2048 kB\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var rss, none float64
	if err := fields(name, map[string]any{"VmRSS": &rss}); err != nil || rss != 2048 {
		t.Errorf("%v, %v", rss, err)
	}
	if err := fields(name, map[string]any{"VmRSS": &rss, "VmHWM": &none}); err == nil || !strings.Contains(err.Error(), "VmHWM") {
		t.Errorf("a missing line: %v", err)
	}
}
