package calib

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// TestOtherAxes: a real recording whose compass is turned or mirrored afterwards is
// refused, and where the dip is known the reason is the right one.
func TestOtherAxes(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	const mount, mirror, either = "with other axes", "are mirrored", "if they are right"
	mirrors := 0
	for k, r := range axisRotations() {
		for sign := range 2 {
			for n, dip := range []float64{0, 1.1, -1.1} {
				if r != identity && (k+sign)%3 != n {
					continue
				}
				turn := r
				if sign == 1 {
					for i := range turn {
						turn[i] = -turn[i]
					}
				}
				same, reversed := turn == identity, turn.det() < 0 && r == identity
				want := mount
				switch {
				case same && dip >= 0, reversed && dip <= 0:
					want = ""
				case dip == 0:
					want = either
				case (sign == 1) == (dip > 0):
					want = mirror
					mirrors++
				}
				mag := append([]sensors.MagneticSample(nil), rec.magnetic...)
				for i := range mag {
					mag[i].FieldUT = turn.Apply(mag[i].FieldUT)
				}
				opt := RecordingOptions{Spec: mpu6050}
				opt.Mag.DipAssumedRad = dip
				res, err := FromRecording(rec.inertial, mag, opt)
				if err != nil {
					t.Fatal(err)
				}
				var refused *Refusal
				switch got := errors.As(res.MagErr, &refused); {
				case want == "" && got:
					t.Errorf("%v, dip %g: %v", turn, dip, res.MagErr)
				case want != "" && (!got || !strings.Contains(res.MagErr.Error(), want)):
					t.Errorf("%v, dip %g: %v, want %q", turn, dip, res.MagErr, want)
				}
			}
		}
	}
	if mirrors < 10 {
		t.Errorf("%d mirrors tried", mirrors)
	}
}

// TestSkewedAxesAreNoOtherAxes: what a board may be askew is found by the fit.
func TestSkewedAxesAreNoOtherAxes(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {X: 1, Y: 1, Z: 1}} {
		mag := append([]sensors.MagneticSample(nil), rec.magnetic...)
		for i := range mag {
			mag[i].FieldUT = r3.Rotate(mag[i].FieldUT, 12*math.Pi/180, axis)
		}
		if res, err := FromRecording(rec.inertial, mag, RecordingOptions{Spec: mpu6050}); err != nil || res.MagErr != nil {
			t.Errorf("12° about %v: %v, %v", axis, err, res.MagErr)
		}
	}
}
