package main

import (
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

func TestAvahiIsSeen(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	for text, want := range map[string]bool{
		"":                               false,
		"\n":                             false,
		"0\n":                            false,
		"-1\n":                           false,
		"avahi\n":                        false,
		strconv.Itoa(os.Getpid()) + "\n": true,
		strconv.Itoa(1 << 30):            false, // above every number that Linux gives
	} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, got := avahi(file); got != want {
			t.Errorf("%q: it runs: %v", text, got)
		}
	}
	if _, runs := avahi(filepath.Join(t.TempDir(), "none")); runs {
		t.Error("it runs without a file")
	}
}

// TestNameIsForOthers: nobody answers for a board that serves itself alone.
func TestNameIsForOthers(t *testing.T) {
	for at, want := range map[string]bool{"127.0.0.1:1": false, "[::1]:1": false, "0.0.0.0:1": true, "[::]:1": true, "192.168.7.2:1": true} {
		addr, err := net.ResolveTCPAddr("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		s := serving{bound: addr, localName: "plumbstar", clock: func() time.Duration { return 0 }}
		r := s.responder(slog.New(slog.DiscardHandler))
		if got := r != nil; got != want {
			t.Errorf("%s: %v", at, got)
		}
		if s.localName = ""; s.responder(slog.New(slog.DiscardHandler)) != nil {
			t.Errorf("%s: a name although none is wanted", at)
		}
	}
}
