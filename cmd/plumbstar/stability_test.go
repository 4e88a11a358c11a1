package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
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

// TestStabilityOfANight: two hours under watch, cooling, with a knock in between:
// the drift that was put in is found, and the knock is not taken for drift.
func TestStabilityOfANight(t *testing.T) {
	dir := t.TempDir()
	dusk := time.Date(2026, 3, 14, 18, 30, 0, 0, time.UTC)
	moment := func(at time.Duration) nightlog.Moment {
		return nightlog.Moment{At: at, UTC: dusk.Add(at), SigmaS: 0.5, Source: "system"}
	}
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: moment(0), Every: time.Hour})
	rng := rand.New(rand.NewPCG(1, 2))
	night := func(at time.Duration, seconds int, armed bool) {
		l.BeginNight(moment(at), nightlog.NightInfo{})
		if armed {
			l.Event(at+time.Second, nightlog.Event{Kind: daemon.EventWatchArmed})
			l.Event(at+80*time.Minute, nightlog.Event{Kind: "knock", Numbers: map[string]float64{"began_before_s": 5}})
		}
		for s := range seconds {
			x := nightlog.NewSample(at + time.Duration(s)*time.Second)
			x.TempC = 12 - float64(s)/1000 + 0.3*math.Sin(float64(s)/400)
			x.Accel.Raw = r3.Vec{X: 6 + 0.002*x.TempC + 1e-4*rng.NormFloat64(), Y: 1e-4 * rng.NormFloat64(), Z: 7.76 + 1e-4*rng.NormFloat64()}
			if s > 80*60 {
				x.Accel.Raw.X += 0.02
			}
			x.Gyro.Raw = r3.Vec{X: 1e-5 * rng.NormFloat64(), Y: 1e-5 * rng.NormFloat64(), Z: 1e-5 * rng.NormFloat64()}
			l.Sample(x)
			if s%1500 == 0 {
				if err := l.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
		l.EndNight(moment(at + time.Duration(seconds)*time.Second))
	}
	night(0, 3*3600, true)
	night(24*time.Hour, 60, false)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	code, out, errs := runLog(t, "stability", "--night", "1", "--tau", "1,100", "--state-dir", dir)
	if code != 0 {
		t.Fatalf("exit %d %s", code, errs)
	}
	var r stabilityJSON
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Channels) != 6 || r.Stretches != 2 || r.Night != 1 || math.Abs(r.DurationS-9300) > 400 {
		t.Errorf("%d channels, %d stretches, %g s", len(r.Channels), r.Stretches, r.DurationS)
	}
	ax, x := r.Channels["ax"], r.Tilt["x"]
	if c := ax.PerC; c.Value == nil || math.Abs(*c.Value-0.002) > 3**c.Sigma || *c.Sigma > 2e-4 {
		t.Errorf("temperature coefficient %+v", c)
	}
	// The derivative of atan2(ax, az) by ax.
	want := 0.002 * 7.76 / (6*6 + 7.76*7.76) * 180 / math.Pi
	if c := x.DegPerC; c.Value == nil || math.Abs(*c.Value-want) > 3**c.Sigma {
		t.Errorf("of the tilt %g ± %g, want %g", *c.Value, *c.Sigma, want)
	}
	if c := x.DegPerHour; c.Value == nil || !(*c.Value < -0.02 && *c.Value > -0.06) {
		t.Errorf("drift %+v", c)
	}
	if len(ax.Allan) != 2 || math.Abs(r.Channels["ay"].Allan[0].Deviation/1e-4-1) > 0.1 {
		t.Errorf("Allan deviation %+v", r.Channels["ay"].Allan)
	}
	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{2, []string{"stability", "--night", "all"}, "plumbstar nights shows"},
		{2, []string{"stability", "--night", "x"}, "plumbstar nights"},
		{2, []string{"stability", "file.csv", "--night", "1"}, "not both"},
		{2, []string{"stability", "file.csv", "--state-dir", dir}, "for --night"},
		{1, []string{"stability", "--night", "2", "--state-dir", dir}, "not armed"},
		{1, []string{"stability", "--night", "9", "--state-dir", dir}, "no such night"},
		{1, []string{"stability", "--night", "1", "--tau", "0.2", "--state-dir", dir}, "one reading takes"},
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), env{stdin: strings.NewReader(""), stdout: &out, stderr: &errs, now: time.Now}, c.args)
		if code != c.code || !strings.Contains(errs.String(), c.says) || out.Len() > 0 {
			t.Errorf("%v: exit %d %q; want %d and %q", c.args, code, errs.String(), c.code, c.says)
		}
	}
}
