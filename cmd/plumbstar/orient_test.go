package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

func orientRun(stdin string, args ...string) (stdout, stderr string, code int) {
	var out, complaints bytes.Buffer
	e := env{stdin: strings.NewReader(stdin), stdout: &out, stderr: &complaints, now: time.Now}
	code = run(context.Background(), e, append([]string{"orient"}, args...))
	return out.String(), complaints.String(), code
}

const slowRotation = "../../testdata/imu/broad/02_undisturbed_slow_rotation_B.csv.gz"

// recordingText is the unpacked recording up to so many lines, 0 for all.
func recordingText(t *testing.T, path string, lines int) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	s := string(b)
	if lines > 0 {
		s = strings.Join(strings.SplitAfter(s, "\n")[:lines], "")
	}
	return s
}

func TestOrientGivesOneRowPerRow(t *testing.T) {
	stdout, stderr, code := orientRun("", slowRotation)
	if code != 0 || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	in := strings.Count(recordingText(t, slowRotation, 0), "\n")
	rows, err := csv.NewReader(strings.NewReader(stdout)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != in {
		t.Fatalf("%d lines for %d", len(rows), in)
	}
	if got := strings.Join(rows[0], ","); got != "t_s,qw,qx,qy,qz,heading_sigma_deg,inclination_sigma_deg" {
		t.Errorf("header %s", got)
	}
	for k, row := range rows[1:] {
		var v [7]float64
		for i, c := range row {
			if v[i], err = strconv.ParseFloat(c, 64); err != nil {
				t.Fatalf("row %d: %v", k+1, err)
			}
		}
		if n := v[1]*v[1] + v[2]*v[2] + v[3]*v[3] + v[4]*v[4]; math.Abs(n-1) > 1e-5 {
			t.Fatalf("row %d: quaternion of length² %g", k+1, n)
		}
		if !(v[5] > 0 && v[5] <= 180 && v[6] > 0 && v[6] < 90) {
			t.Fatalf("row %d: sigmas %g and %g", k+1, v[5], v[6])
		}
	}
	if rows[1][0] != "0.014" {
		t.Errorf("first time %s", rows[1][0])
	}
}

// TestOrientIsCausal: what comes later changes nothing.
func TestOrientIsCausal(t *testing.T) {
	all, _, _ := orientRun("", slowRotation)
	for _, lines := range []int{2, 100, 3000} {
		part, stderr, code := orientRun(recordingText(t, slowRotation, lines), "-")
		if code != 0 || stderr != "" {
			t.Fatalf("exit %d: %s", code, stderr)
		}
		if !strings.HasPrefix(all, part) || strings.Count(part, "\n") != lines {
			t.Errorf("the first %d lines alone give other rows", lines)
		}
	}
}

func TestOrientOptions(t *testing.T) {
	in := recordingText(t, slowRotation, 400)
	last := func(args ...string) map[string]any {
		t.Helper()
		stdout, stderr, code := orientRun(in, append([]string{"-", "--json"}, args...)...)
		if code != 0 {
			t.Fatalf("exit %d: %s", code, stderr)
		}
		lines := strings.Split(strings.TrimSpace(stdout), "\n")
		var v map[string]any
		if len(lines) != 399 || json.Unmarshal([]byte(lines[398]), &v) != nil {
			t.Fatalf("%d lines, the last %q", len(lines), lines[len(lines)-1])
		}
		return v
	}
	v := last()
	if v["at_rest"] != true || v["field_disturbed"] != false {
		t.Errorf("%v", v)
	}
	w := last("--accel-error-ms2", "0.3", "--field-error-uT", "5")
	for _, k := range []string{"heading_sigma_deg", "inclination_sigma_deg"} {
		if w[k].(float64) < 3*v[k].(float64) {
			t.Errorf("%s %v with larger errors, %v without", k, w[k], v[k])
		}
	}
}

func TestOrientWithoutSomeSensors(t *testing.T) {
	// No gyroscope, no compass in the first row; none of both before a third.
	stdout, stderr, code := orientRun("t_s,ax,ay,az,mx,my,mz\n0,,,,,,\n0.1,0,0,9.8,,,\n0.2,0,0,9.8,20,0,-40\n0.4,0,0,9.8,20,0,-40\n0.6,0,0,9.8,20,0,-40\n", "-")
	if code != 0 || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	rows := strings.Split(strings.TrimSpace(stdout), "\n")
	if rows[1] != "0,,,,,," {
		t.Errorf("before anything: %s", rows[1])
	}
	if !strings.HasPrefix(rows[2], "0.1,1.0000000,") || !strings.Contains(rows[2], ",180.0000,") {
		t.Errorf("without a compass: %s", rows[2])
	}
	// North lies along sensor x: a quarter turn to the left of east.
	if !strings.HasPrefix(rows[5], "0.6,0.7071068,0.0000000,0.0000000,0.7071068,") {
		t.Errorf("with a compass: %s", rows[5])
	}
}

func TestOrientSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name, in string
		args     []string
		code     int
		want     []string
	}{
		{"no file", "", []string{"missing.csv"}, 1, []string{"missing.csv", "readable recording"}},
		{"two files", "", []string{"a", "b"}, 2, []string{"one file"}},
		{"empty", "", []string{"-"}, 1, []string{"standard input", "empty"}},
		{"no acceleration", "t_s,mx,my,mz\n0,1,2,3\n", []string{"-"}, 1, []string{"ax, ay, az"}},
		{"a word", "t_s,ax,ay,az\n0,0,0,9.8\n1,0,up,9.8\n", []string{"-"}, 1, []string{"line 3", "ay", "up"}},
		{"back in time", "t_s,ax,ay,az\n1,0,0,9.8\n0,0,0,9.8\n", []string{"-"}, 1, []string{"line 3", "t_s"}},
		{"bad option", "t_s,ax,ay,az\n", []string{"-", "--field-error-uT", "-1"}, 2, []string{"--field-error-uT", "above 0"}},
	} {
		_, stderr, code := orientRun(c.in, c.args...)
		if code != c.code || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%s: exit %d, stderr %q", c.name, code, stderr)
		}
		for _, w := range c.want {
			if !strings.Contains(stderr, w) {
				t.Errorf("%s: %q does not say %q", c.name, stderr, w)
			}
		}
	}
	// The rows before the bad one are there.
	stdout, _, _ := orientRun("t_s,ax,ay,az\n0,0,0,9.8\n1,0,up,9.8\n", "-")
	if strings.Count(stdout, "\n") != 2 {
		t.Errorf("%q", stdout)
	}
}
