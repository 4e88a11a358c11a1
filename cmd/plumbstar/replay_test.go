package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbstar/astro"
)

const boardDir = "../../testdata/imu/mpu6050_hmc5883l/"

type replayed struct {
	T     float64 `json:"t_s"`
	State string
	Axis  struct {
		Altitude      *float64 `json:"altitude_deg"`
		AltitudeSigma *float64 `json:"altitude_sigma_deg"`
		Azimuth       *float64 `json:"azimuth_deg"`
		AzimuthSigma  *float64 `json:"azimuth_sigma_deg"`
	}
	Move struct {
		Text string
	}
	Warnings []struct{ Code, Text string }
}

// replayFile runs replay --json and reads its lines.
func replayFile(t *testing.T, args ...string) []replayed {
	t.Helper()
	e, out, errs := testEnv()
	if code := run(context.Background(), e, append([]string{"replay", "--json"}, args...)); code != 0 {
		t.Fatalf("status %d: %s", code, errs)
	}
	var rows []replayed
	for s := bufio.NewScanner(bytes.NewReader(out.Bytes())); s.Scan(); {
		var r replayed
		if err := json.Unmarshal(s.Bytes(), &r); err != nil {
			t.Fatalf("%v in %s", err, s.Bytes())
		}
		rows = append(rows, r)
	}
	return rows
}

// The recordings say neither place nor date; a mid-latitude site is assumed,
// whose field differs from the real one's, and the program has to say so.
var assumedPlace = []string{"--lat", "52.5", "--lon", "13.4", "--start", "2026-11-20T20:00:00Z", "--calibrate-from", boardDir + "set-2_full-sphere.csv.gz"}

func TestReplayOfTwoRealLevelTurns(t *testing.T) {
	rows := replayFile(t, append(assumedPlace, boardDir+"set-2_rotate-ccw-around-z-pointing-up.csv.gz")...)
	last := rows[len(rows)-1]
	if n := float64(len(rows)) / last.T; n < 2 {
		t.Errorf("%.1f lines per recorded second, want 2 or more", n)
	}
	// The board was turned twice by hand and stopped near the same heading each
	// time: the headings just after the two turns must agree within the bound.
	mean := func(from, to float64) (az, sigma float64) {
		var s, c, n float64
		for _, r := range rows {
			if r.T < from || r.T > to {
				continue
			}
			if r.Axis.Azimuth == nil {
				t.Fatalf("no azimuth at %v s: %v", r.T, r.Warnings)
			}
			s += math.Sin(*r.Axis.Azimuth * math.Pi / 180)
			c += math.Cos(*r.Axis.Azimuth * math.Pi / 180)
			sigma += *r.Axis.AzimuthSigma
			n++
		}
		return math.Atan2(s, c) * 180 / math.Pi, sigma / n
	}
	a1, s1 := mean(10.5, 12.5)
	a2, s2 := mean(21, 23)
	t.Logf("heading after the turns: %.2f° ± %.2f°, %.2f° ± %.2f°", a1, s1, a2, s2)
	if d := math.Abs(astro.Turn180(a1 - a2)); d > 1.96*math.Min(s1, s2) {
		t.Errorf("headings after the two turns differ by %.2f°, stated %.2f° and %.2f°", d, s1, s2)
	}
	var turned float64
	for i := 1; i < len(rows); i++ {
		if a, b := rows[i-1].Axis.Azimuth, rows[i].Axis.Azimuth; a != nil && b != nil {
			turned += astro.Turn180(*b - *a)
		}
	}
	// Counter-clockwise seen from above: the azimuth falls by two turns.
	if turned > -690 || turned < -750 {
		t.Errorf("azimuth ran through %.0f°, want about -720°", turned)
	}
}

func TestReplayOfARealBoardAtRest(t *testing.T) {
	rows := replayFile(t, append(assumedPlace, boardDir+"set-2_unmoved-with-x-pointing-forward-10min.csv.gz")...)
	var low, high = math.Inf(1), math.Inf(-1)
	var azLow, azHigh = math.Inf(1), math.Inf(-1)
	moving := 0
	for _, r := range rows {
		if r.T < 5 {
			continue
		}
		if r.Axis.Altitude == nil || r.Axis.Azimuth == nil {
			t.Fatalf("at %v s: %+v", r.T, r)
		}
		if r.State == "moving" {
			moving++
		}
		low, high = min(low, *r.Axis.Altitude), max(high, *r.Axis.Altitude)
		az := astro.Turn180(*r.Axis.Azimuth)
		azLow, azHigh = min(azLow, az), max(azHigh, az)
	}
	t.Logf("%d lines, altitude %.3f to %.3f°, azimuth %.2f to %.2f°", len(rows), low, high, azLow, azHigh)
	if high-low > 0.1 || azHigh-azLow > 1 {
		t.Errorf("at rest altitude spans %.3f°, azimuth %.2f°", high-low, azHigh-azLow)
	}
	if moving > len(rows)/100 {
		t.Errorf("%d of %d lines say moving while the board lay still", moving, len(rows))
	}
}

// Without a place there is no true north, without a calibration no heading at
// all; both are said.
func TestReplaySaysWhatItDoesNotKnow(t *testing.T) {
	rows := replayFile(t, boardDir+"set-2_pan-along-z-pointing-up.csv.gz")
	codes := map[string]bool{}
	for _, r := range rows {
		if r.Axis.Azimuth != nil {
			t.Fatalf("an azimuth without place and calibration: %+v", r)
		}
		for _, w := range r.Warnings {
			codes[w.Code] = true
		}
	}
	for _, want := range []string{"site-not-known", "accelerometer-uncalibrated"} {
		if !codes[want] {
			t.Errorf("no warning %s in %v", want, codes)
		}
	}
}

func TestReplayErrors(t *testing.T) {
	dir := t.TempDir()
	broken := filepath.Join(dir, "broken.csv")
	if err := os.WriteFile(broken, []byte("t_s,ax,ay,az\n0,0,0,9.8\n0.01,0,zero,9.8\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"replay"}, 2, "one file"},
		{[]string{"replay", "--json", filepath.Join(dir, "none.csv")}, 1, "no such file"},
		{[]string{"replay", "--json", broken}, 1, "line 3"},
		{[]string{"replay", "--json", broken, "--lat", "52"}, 2, "--lon"},
		{[]string{"replay", "--json", broken, "--lat", "95", "--lon", "0"}, 2, "latitude"},
		{[]string{"replay", "--json", broken, "--forward", "+q"}, 2, "forward"},
		{[]string{"replay", "--json", broken, "--forward", "+x", "--up", "-x"}, 2, "up"},
		{[]string{"replay", "--json", broken, "--start", "yesterday"}, 2, "--start"},
		{[]string{"replay", "--json", broken, "--speed", "-3"}, 2, "speed"},
		{[]string{"replay", "--json", broken, "--aim", "moon"}, 2, "aim"},
	} {
		e, _, errs := testEnv()
		if code := run(context.Background(), e, c.args); code != c.code || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%v: status %d, %q; want %d with %q", c.args, code, errs, c.code, c.want)
		}
		if strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%v: not one line: %q", c.args, errs)
		}
	}
}
