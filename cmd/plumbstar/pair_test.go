package main

import (
	"bytes"
	"context"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"

	"plumbstar/api"
)

func runPair(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	settings := filepath.Join(t.TempDir(), "plumbstar.toml")
	if err := os.WriteFile(settings, []byte("server.listen = '192.0.2.7:8484'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	code = run(context.Background(), env{stdin: strings.NewReader(""), stdout: &out, stderr: &errs, now: time.Now}, append([]string{"pair", "--config", settings}, args...))
	return code, out.String(), errs.String()
}

// TestPairMeetsDaemon: the code of one process is accepted by the other.
func TestPairMeetsDaemon(t *testing.T) {
	state := t.TempDir()
	daemon, err := api.OpenPairingDir(filepath.Join(state, api.PairingFolder), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	code, out, errs := runPair(t, "--state-dir", state)
	m := regexp.MustCompile(`Code (\d{4}) (\d{4}), .*\n.* http://192\.0\.2\.7:8484/ or open\nhttp://192\.0\.2\.7:8484/#code=(\d{8})\n$`).FindStringSubmatch(out)
	if code != 0 || m == nil || m[1]+m[2] != m[3] {
		t.Fatalf("exit %d: %s%s", code, out, errs)
	}
	g, err := daemon.Redeem(m[3], "phone", netip.MustParseAddr("192.0.2.9"))
	if err != nil || g.Role != api.RoleWrite {
		t.Fatalf("the daemon says %v, %v", g.Role, err)
	}
	_, out, _ = runPair(t, "--state-dir", state, "--token", "--name", "logger", "--role", "read")
	if role, ok := daemon.Check(strings.TrimSpace(out)); !ok || role != api.RoleRead {
		t.Errorf("--token printed %q, which is %v %v", out, role, ok)
	}
	_, out, _ = runPair(t, "--state-dir", state, "--list")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) != 3 || !strings.Contains(out, "phone") || !strings.Contains(out, "logger") || strings.Contains(out, g.Token) {
		t.Fatalf("--list printed\n%s", out)
	}
	for _, line := range lines[1:] {
		if code, _, errs := runPair(t, "--state-dir", state, "--revoke", strings.Fields(line)[0]); code != 0 {
			t.Errorf("--revoke: %s", errs)
		}
	}
	if _, ok := daemon.Check(g.Token); ok {
		t.Error("a revoked token still works")
	}
	if code, _, errs := runPair(t, "--state-dir", state, "--revoke", "nobody"); code != 1 || !strings.Contains(errs, "--list") {
		t.Errorf("revoking nobody: exit %d, %s", code, errs)
	}
}

// TestPairOnDisplay: with a display in the settings the daemon is handed the code.
func TestPairOnDisplay(t *testing.T) {
	state := t.TempDir()
	settings := filepath.Join(t.TempDir(), "plumbstar.toml")
	if err := os.WriteFile(settings, []byte("[display]\nchip = 'SSD1306'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	daemon, err := api.OpenPairingDir(filepath.Join(state, api.PairingFolder), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	code, out, errs := runPair(t, "--state-dir", state)
	if code != 0 || daemon.Shown() != "" || strings.Contains(out, "display") {
		t.Errorf("without one: exit %d, %s%s", code, out, errs)
	}
	code, out, errs = runPair(t, "--state-dir", state, "--url", "http://192.0.2.7:8484", "--config", settings)
	shown := daemon.Shown()
	if code != 0 || len(shown) != 8 || !strings.Contains(out, shown) || !strings.Contains(out, "The display shows it too") {
		t.Errorf("exit %d, %s%s; shown %q", code, out, errs, shown)
	}
}

func TestPairWrongUse(t *testing.T) {
	state := t.TempDir()
	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{2, []string{"--role", "admin"}, "read"},
		{2, []string{"--valid", "0s"}, "1h"},
		{2, []string{"--valid", "2h"}, "1h"},
		{2, []string{"--url", "192.0.2.7"}, "http://"},
		{2, []string{"--url", "ftp://x/"}, "http://"},
		{2, []string{"--list", "--token"}, "together"},
		{2, []string{"--qr", "--token"}, "together"},
		{2, []string{"extra"}, "no argument"},
		{2, []string{"--nonsense"}, "nonsense"},
		{1, []string{"--state-dir", filepath.Join(state, "none")}, "state directory"},
	} {
		args := c.args
		if c.code == 2 {
			args = append([]string{"--state-dir", state}, args...)
		}
		code, out, errs := runPair(t, args...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("pair %v: exit %d, %q %q; want exit %d and %q", c.args, code, out, errs, c.code, c.says)
		}
	}
	err := filepath.WalkDir(state, func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			t.Errorf("wrong use left %s", path)
		}
		return err
	})
	if err != nil && !os.IsNotExist(err) {
		t.Error(err)
	}
}

// TestQRText reads the drawn modules back and compares them with the code.
func TestQRText(t *testing.T) {
	const text = "http://192.0.2.7:8484/#code=12345678"
	_, out, _ := runPair(t, "--state-dir", t.TempDir(), "--url", "http://192.0.2.7:8484", "--qr")
	if !strings.Contains(out, "█") {
		t.Errorf("--qr drew nothing: %s", out)
	}
	var b bytes.Buffer
	if err := writeQR(&b, text); err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	light := map[rune][2]bool{'█': {true, true}, '▀': {true, false}, '▄': {false, true}, ' ': {}}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	if want := (code.Size + 2*quiet + 1) / 2; len(lines) != want {
		t.Fatalf("%d lines, want %d", len(lines), want)
	}
	for row, line := range lines {
		cells := []rune(line)
		if len(cells) != code.Size+2*quiet {
			t.Fatalf("line %d has %d cells", row, len(cells))
		}
		for col, r := range cells {
			for half := range 2 {
				x, y := col-quiet, 2*row+half-quiet
				if light[r][half] == code.Black(x, y) {
					t.Fatalf("module %d,%d is wrong", x, y)
				}
			}
		}
	}
}
