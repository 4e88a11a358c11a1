package config_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"plumbstar/daemon/config"
)

// TestHostileSettings: files that are no settings give errors of readable length,
// each with its file, and numbers that are none are never accepted.
func TestHostileSettings(t *testing.T) {
	refused := []string{
		"\x00", "\xff\xfe", "a", "=", "[", "[[", "[]", "x = ", "x = '", "x = \"\"\"", "[site]\n[site]", "site.lat_deg = 1\nsite.lat_deg = 2",
		"x = " + strings.Repeat("[", 100_000), "x = " + strings.Repeat("{a=", 100_000), strings.Repeat("a.", 100_000) + "b = 1", "[" + strings.Repeat("a.", 100_000) + "b]",
		strings.Repeat("k", 500_000) + " = 1", "x = '" + strings.Repeat("v", 500_000), "aim = \"" + strings.Repeat("v", 500_000) + "\"", "site.name = 7", "site = 7", "kit.lenses = 7", "kit = []",
		"aim = \"\\u0000\"", "[server]\nlisten = \"\\u001b[2J\"",
	}
	for _, v := range []string{"nan", "-nan", "+inf", "-inf", "1e999", "-1e308", "1e308", "9223372036854775808", "-9223372036854775809", "0x7fffffffffffffff", "1979-05-27T07:32:00Z", "true", "\"1\"", "[1]", "{}"} {
		refused = append(refused, "site.lon_deg = 8\nsite.lat_deg = "+v, "loop.updates_hz = "+v, "board.mount_sigma_deg = "+v, "kit.pixel_um = "+v)
	}
	for _, text := range refused {
		s, err := config.Parse("x.toml", []byte(text), config.Chips{})
		if err == nil {
			t.Errorf("%.60q was accepted: %+v", text, s.Site)
			continue
		}
		for line := range strings.SplitSeq(err.Error(), "\n") {
			if !strings.HasPrefix(line, "x.toml") || len(line) > 1000 {
				t.Errorf("%.60q: an error of %d bytes: %.100s", text, len(line), line)
			}
		}
	}
	// Many good lines are no attack, but have a bound.
	var many strings.Builder
	for k := range 5000 {
		fmt.Fprintf(&many, "[[kit.lenses]]\nname = \"%d\"\nfocal_mm = 24\nexposures_s = [60]\n", k)
	}
	if _, err := config.Parse("x.toml", []byte(many.String()), config.Chips{}); err == nil {
		t.Error("5000 lenses were accepted")
	}
	if s, err := config.Parse("x.toml", []byte("\ufeffaim = \"true\"\r\n"), config.Chips{}); err == nil && s.Aim != "true" || math.IsNaN(s.Board.MountSigmaDeg) {
		t.Errorf("byte-order mark: %v", err)
	}
}
