package daemon_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"plumbstar/daemon"
)

// A record on the disk with one number that cannot be is not used, neither is the
// sound one before it, and a warning says which and why; a sound one is used.
func TestDamagedCalibrations(t *testing.T) {
	for _, c := range []struct{ name, record, part, old, new, why string }{
		{"sound accelerometer", storedAccel, "accelerometer", "", "", ""},
		{"sound axis", storedAxis, "axis", "", "", ""},
		{"sound turn check", storedTurn, "turn check", "", "", ""},
		{"sound coefficients", storedWarmth, "temperature", "", "", ""},

		{"offset", storedAccel, "accelerometer", `[0.1,0,0]`, `[99,0,0]`, "offset"},
		{"scale", storedAccel, "accelerometer", `"matrix":[[1,0,0],[0,1,0],[0,0,1]]`, `"matrix":[[3,0,0],[0,3,0],[0,0,3]]`, "scales"},
		{"mirror", storedAccel, "accelerometer", `"matrix":[[1,0,0]`, `"matrix":[[-1,0,0]`, "correction"},
		{"no doubt", storedAccel, "accelerometer", `[[1e-6,`, `[[0,`, "uncertainty"},
		{"negative sigma", storedAccel, "accelerometer", `"sigma_deg":0.1`, `"sigma_deg":-0.1`, "sigma_deg"},
		{"temperature", storedAccel, "accelerometer", `"temp_c":15`, `"temp_c":1500`, "temp_c"},
		{"reference temperature", storedAccel, "accelerometer", `"reference_c":15`, `"reference_c":-300`, "reference_c"},
		{"site", storedAccel, "accelerometer", `"temp_c":15`, `"site":{"LatDeg":95,"LonDeg":0,"HeightM":0}`, "latitude 95"},
		{"another kind", storedAccel, "accelerometer", `"kind":"accelerometer","offset_m_s2"`, `"kind":"magnetometer","offset_uT"`, "magnetometer"},
		{"no coefficients", storedAccel, "accelerometer", `"correction"`, `"corection"`, "missing"},

		{"long axis", storedAxis, "axis", `"X":1`, `"X":1.2`, "length"},
		{"sure axis", storedAxis, "axis", `"sigma_deg":0.05`, `"sigma_deg":0`, "sigma_deg"},

		{"turn without doubt", storedTurn, "turn check", `[[0.1,0,0],[0,0.1,0],[0,0,0.1]]`, `[[0,0,0],[0,0,0],[0,0,0]]`, "variances"},
		{"negative turn", storedTurn, "turn check", `[[0.1,0,0]`, `[[-0.05,0,0]`, "negative"},
		{"lopsided turn", storedTurn, "turn check", `[[0.1,0,0]`, `[[0.1,0.05,0]`, "symmetric"},
		{"far turn", storedTurn, "turn check", `"X":1,`, `"X":4000,`, "offset"},
		{"turn about nothing", storedTurn, "turn check", `"Z":1}`, `"Z":0}`, "length"},

		{"steep coefficient", storedWarmth, "temperature", `"X":0.001`, `"X":4`, "coefficient"},
		{"sure coefficient", storedWarmth, "temperature", `"accel_sigma_m_s2_per_c":{"X":1e-4`, `"accel_sigma_m_s2_per_c":{"X":0`, "coefficient"},
		{"sure next night", storedWarmth, "temperature", `"accel_next_sigma_m_s2_per_c":{"X":1e-4`, `"accel_next_sigma_m_s2_per_c":{"X":-1`, "coefficient"},
		{"no range", storedWarmth, "temperature", `"max_c":20`, `"max_c":0`, "range"},
		{"gyroscope alone", storedWarmth, "temperature", `"up"`, `"gyro_rad_s_per_c":{"X":1e-5},"up"`, "gyroscope"},
		{"steep gyroscope", storedWarmth, "temperature", `"up"`, `"gyro_rad_s_per_c":{"X":1},"gyro_sigma_rad_s_per_c":{"X":1e-6,"Y":1e-6,"Z":1e-6},"up"`, "coefficient"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(c.record, c.old, c.new, 1)
			if c.old != "" && text == c.record {
				t.Fatal("nothing was damaged")
			}
			m := &memory{calibrations: [][]byte{[]byte(c.record), []byte(text)}}
			r := newRig(t, "larkmoor", 3, func(o *daemon.Options) { o.Store = m })
			defer r.stop()
			r.run(2 * time.Second)
			used := false
			inUse, kept := r.d.Calibrations()
			for _, u := range inUse {
				used = used || string(u.Part) == c.part && u.Method != daemon.CalibrationGiven
			}
			warning := ""
			for _, w := range r.seen.Warnings {
				if w.Code == "kept-damaged" {
					warning = w.Text
				}
			}
			if c.why == "" {
				if !used || warning != "" || len(kept) != 2 {
					t.Errorf("a sound record: used %v, %d kept, warning %q", used, len(kept), warning)
				}
				return
			}
			if used || len(kept) != 1 || !strings.Contains(warning, c.part) || !strings.Contains(warning, c.why) {
				t.Errorf("used %v, %d kept, warning %q without %q", used, len(kept), warning, c.why)
			}
		})
	}
}

// Documents with a number that cannot be are refused with the reason, and the
// warning ends once they are replaced.
func TestDamagedDocuments(t *testing.T) {
	for _, c := range []struct{ name, sound, old, new, why string }{
		{"kit", storedKit, `4.3`, `-4.3`, "pixel"},
		{"kit", storedKit, `"exposure_s":60`, `"exposure_s":1e9`, "exposure"},
		{"kit", storedKit, `{`, `[`, "lenses and finder"},
		{"knobs", storedKnobs, `"deg_per_turn":3`, `"deg_per_turn":1e308`, "azimuth adjuster"},
		{"knobs", storedKnobs, `[0.1,0,0.01],"told":3`, `[0,0,0.01],"told":3`, "altitude adjuster"},
		{"knobs", storedKnobs, `"way":1`, `"way":0.5`, "altitude adjuster"},
		{"knobs", storedKnobs, `"coupling":0.01`, `"coupling":-70`, "azimuth adjuster"},
		{"knobs", storedKnobs, `"azimuth"`, `"focus"`, "no adjuster"},
		{"watch", storedWatch, `"error_up_deg":0.1`, `"error_up_deg":1e308`, "alignment"},
		{"watch", storedWatch, `"error_east_sigma_deg":0.3`, `"error_east_sigma_deg":0`, "alignment"},
		{"watch", storedWatch, `"tilt_deg":51`, `"tilt_deg":510`, "tilt_deg"},
		{"watch", storedWatch, `"exposure_s":60`, `"exposure_s":-60`, "picture"},
	} {
		for _, damaged := range []bool{false, true} {
			text := c.sound
			if damaged {
				if text = strings.Replace(text, c.old, c.new, 1); text == c.sound {
					t.Fatalf("%s: nothing was damaged by %q", c.name, c.old)
				}
			}
			m := &memory{documents: map[string]json.RawMessage{c.name: json.RawMessage(text)}}
			r := newRig(t, "larkmoor", 3, func(o *daemon.Options) { o.Store = m })
			r.run(time.Second)
			said := ""
			for _, w := range r.seen.Warnings {
				if w.Code == "kept-damaged" {
					said = w.Text
				}
			}
			if damaged != (said != "") || damaged && !strings.Contains(said, c.why) {
				t.Errorf("%s with %q: warning %q", c.name, c.new, said)
			}
			if damaged && c.name == "knobs" {
				if a, _, _ := r.d.Knobs(); a.Known || a.TurnsTold != 0 {
					t.Errorf("half of the damaged adjusters is used: %+v", a)
				}
				if err := r.d.ForgetKnobs(); err != nil {
					t.Fatal(err)
				}
				r.run(time.Second)
				if n := len(r.seen.Warnings); n > 0 && r.seen.Warnings[n-1].Code == "kept-damaged" {
					t.Error("the warning does not end")
				}
			}
			r.stop()
		}
	}
}
