package calib

import (
	"errors"
	"testing"
)

func TestFromRecordingFullSphere(t *testing.T) {
	rec := load(t, boardDir+"full-sphere")
	res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
	if err != nil || res.AccelErr != nil || res.MagErr != nil {
		t.Fatal(err, res.AccelErr, res.MagErr)
	}
	if r := res.Mag.ResidualPercent; r > 0.46 {
		t.Errorf("field strength scatters by %.3f %%, want at most 0.46 %%", r)
	}
}

func TestRecordingsWithoutFullTurnsAreRefused(t *testing.T) {
	for _, name := range []string{"rotate-ccw-around-z-pointing-up", "rotate-ccw-around-x-pointing-forward", "pan-along-z-pointing-up", "unmoved-with-x-pointing-forward-10min"} {
		rec := load(t, boardDir+name)
		res, err := FromRecording(rec.inertial, rec.magnetic, RecordingOptions{Spec: mpu6050})
		var r *Refusal
		if err != nil || !errors.As(res.MagErr, &r) {
			t.Errorf("%s: %v, %v: want a refusal of the compass part", name, err, res.MagErr)
		}
	}
}
