package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
)

func runStability(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = run(context.Background(), env{stdin: strings.NewReader(""), stdout: &out, stderr: &errs, now: time.Now}, append([]string{"stability"}, args...))
	return code, out.String(), errs.String()
}

const imuFolder = "../../testdata/imu/mpu6050_hmc5883l/"

// TestStabilityChosenTimes: the printed curve is at the times asked for, the
// minimum is that of all times.
func TestStabilityChosenTimes(t *testing.T) {
	code, out, errs := runStability(imuFolder+"set-2_unmoved-with-x-pointing-forward-10min.csv.gz", "--tau", "1,10", "--tau", "100")
	if code != 0 {
		t.Fatal(errs)
	}
	var r struct {
		Channels map[string]struct {
			Unit  string
			Allan []struct {
				TauS             float64 `json:"tau_s"`
				Deviation, Sigma float64
			}
			Minimum struct {
				TauS      float64 `json:"tau_s"`
				Deviation float64
			}
		}
		Tilt map[string]struct {
			Drift struct{ Value, Sigma *float64 } `json:"drift_deg_per_h"`
		}
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	for name, unit := range map[string]string{"ax": "m/s2", "gz": "rad/s", "my": "uT"} {
		c := r.Channels[name]
		if c.Unit != unit || len(c.Allan) != 3 {
			t.Fatalf("%s: %+v", name, c)
		}
		for i, want := range []float64{1, 10, 100} {
			p := c.Allan[i]
			if math.Abs(p.TauS-want) > 0.026 || !(p.Sigma > 0 && p.Sigma < p.Deviation) {
				t.Errorf("%s: asked for %g s, got %+v", name, want, p)
			}
			if c.Minimum.Deviation > p.Deviation*1.02 {
				t.Errorf("%s: minimum %g, but %g at %g s", name, c.Minimum.Deviation, p.Deviation, p.TauS)
			}
		}
	}
	if d := r.Tilt["x"].Drift; d.Value == nil || d.Sigma == nil || r.Tilt["z"].Drift.Value != nil {
		t.Errorf("tilt %+v", r.Tilt)
	}
}

func TestStabilityRefusals(t *testing.T) {
	const still = imuFolder + "set-2_unmoved-with-x-pointing-forward-10min.csv.gz"
	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{2, nil, "one file"},
		{2, []string{still, "--tau", "0"}, "--tau"},
		{2, []string{still, "--tau", "1,x"}, "--tau"},
		{2, []string{still, "--tau", "NaN"}, "--tau"},
		{1, []string{still, "--tau", "1000"}, "allows"},
		{1, []string{still, "--tau", "0.001"}, "already"},
		{1, []string{imuFolder + "set-2_full-sphere.csv.gz"}, "lies still"},
		{1, []string{imuFolder + "none.csv"}, "none.csv"},
		{1, []string{"stability.go"}, "t_s"},
	} {
		code, out, errs := runStability(c.args...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("stability %v: exit %d, %q; want exit %d and %q", c.args, code, errs, c.code, c.says)
		}
	}
}
