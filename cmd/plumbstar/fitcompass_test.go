package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbstar/sensors/calib"
)

// fitCompassRun runs one command line as a user would.
func fitCompassRun(args ...string) (stdout, stderr string, code int) {
	var out, complaints bytes.Buffer
	e := env{stdin: strings.NewReader(""), stdout: &out, stderr: &complaints, now: time.Now}
	code = run(context.Background(), e, append([]string{"fit-compass"}, args...))
	return out.String(), complaints.String(), code
}

const handheldBoard = "../../testdata/imu/mpu6050_hmc5883l/set-2_"

func TestFitCompassOnARecordingOfFreeTurns(t *testing.T) {
	stdout, stderr, code := fitCompassRun(handheldBoard + "full-sphere.csv.gz")
	if code != 0 || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	var got compassJSON
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.ResidualPercent > 0.46 || got.Coverage.SolidAngle < 0.9 || got.HeadingSigmaDeg > 1.5 || !got.Aligned {
		t.Errorf("residual %.3f %%, coverage %.2f, heading sigma %.2f°, aligned %v", got.ResidualPercent, got.Coverage.SolidAngle, got.HeadingSigmaDeg, got.Aligned)
	}
	if got.DipDeg == nil || math.Abs(*got.DipDeg-65.6) > 1 {
		t.Errorf("dip %v, two independent methods gave 65.4 to 65.7°", got.DipDeg)
	}
	if got.Calibration.Kind != calib.Magnetometer || got.Calibration.Offset.X != got.OffsetUT[0] {
		t.Error("the stored form does not say the same as the report")
	}
	if a := got.Accelerometer; a == nil || a.Calibration == nil || a.Calibration.Check() != nil {
		t.Error("the accelerometer's calibration is missing")
	}

	// With the strength given the scale follows it.
	stdout, stderr, code = fitCompassRun(handheldBoard+"full-sphere.csv.gz", "--strength-uT", "49.5", "--dip-deg", "65.5")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	var scaled compassJSON
	if err := json.Unmarshal([]byte(stdout), &scaled); err != nil {
		t.Fatal(err)
	}
	if !scaled.StrengthGiven || math.Abs(scaled.Matrix[0][0]/got.Matrix[0][0]-49.5/got.FieldUT) > 1e-3 {
		t.Errorf("matrix %v at 49.5 µT, %v at %.1f µT", scaled.Matrix[0], got.Matrix[0], got.FieldUT)
	}
}

func TestFitCompassOnTheMagnetometerAlone(t *testing.T) {
	stdout, stderr, code := fitCompassRun(handheldBoard + "full-sphere_magraw.csv.gz")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	var got compassJSON
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.Aligned || got.RotationDeg != nil || got.DipDeg != nil || got.Accelerometer != nil {
		t.Errorf("alignment or dip from a magnetometer alone: %s", stdout)
	}
	if got.HeadingSigmaDeg < 5 {
		t.Errorf("expected heading sigma %.1f° without alignment", got.HeadingSigmaDeg)
	}
}

func TestFitCompassRefusals(t *testing.T) {
	empty := filepath.Join(t.TempDir(), "empty.csv")
	still := filepath.Join(t.TempDir(), "still.csv")
	if err := os.WriteFile(empty, []byte("t_s,mx,my,mz\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(still, []byte("t_s,mx,my,mz\n"+strings.Repeat("1,20,3,-40\n", 500)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{handheldBoard + "rotate-ccw-around-z-pointing-up.csv.gz"}, 1, "of the sphere"},
		{[]string{handheldBoard + "rotate-ccw-around-x-pointing-forward.csv.gz"}, 1, "offset along x"},
		{[]string{handheldBoard + "pan-along-z-pointing-up.csv.gz"}, 1, "of the sphere"},
		{[]string{handheldBoard + "unmoved-with-x-pointing-forward-10min.csv.gz"}, 1, "no more than the noise"},
		{[]string{empty}, 1, "no samples"},
		{[]string{still}, 1, "refused"},
		{[]string{filepath.Join(t.TempDir(), "none.csv")}, 1, "no such file"},
		{[]string{}, 2, "one file"},
		{[]string{empty, "--strength-uT", "500"}, 2, "20 to 70"},
		{[]string{empty, "--dip-deg", "120"}, 2, "-89 to 89"},
	} {
		stdout, stderr, code := fitCompassRun(c.args...)
		if code != c.code || stdout != "" || !strings.Contains(stderr, c.says) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%v: exit %d, stdout %q, stderr %q", c.args, code, stdout, stderr)
		}
	}
}
