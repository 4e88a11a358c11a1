package daemon_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// Records and documents as the disk could give them back: right, and damaged by
// one number each.
const (
	storedAccel = `{"time":"2027-01-14T18:00:00Z","time_sure":true,"part":"accelerometer","method":"board","board":"LSM6DSO at 0x6a","temp_c":15,"sigma_deg":0.1,"figures":[],
		"correction":{"kind":"accelerometer","offset_m_s2":[0.1,0,0],"matrix":[[1,0,0],[0,1,0],[0,0,1]],"covariance":[[1e-6,0,0,0,0,0,0,0,0,0,0,0],[0,1e-6,0,0,0,0,0,0,0,0,0,0],[0,0,1e-6,0,0,0,0,0,0,0,0,0],[0,0,0,1e-6,0,0,0,0,0,0,0,0],[0,0,0,0,1e-6,0,0,0,0,0,0,0],[0,0,0,0,0,1e-6,0,0,0,0,0,0],[0,0,0,0,0,0,1e-6,0,0,0,0,0],[0,0,0,0,0,0,0,1e-6,0,0,0,0],[0,0,0,0,0,0,0,0,1e-6,0,0,0],[0,0,0,0,0,0,0,0,0,1e-6,0,0],[0,0,0,0,0,0,0,0,0,0,1e-6,0],[0,0,0,0,0,0,0,0,0,0,0,1e-6]],"reference_c":15,"readings":12}}`
	storedAxis = `{"time":"2027-01-14T18:00:00Z","time_sure":true,"part":"axis","method":"head","board":"LSM6DSO at 0x6a","temp_c":15,"sigma_deg":0.1,"figures":[],"axis":{"direction":{"X":1,"Y":0,"Z":0},"sigma_deg":0.05}}`
	storedTurn = `{"time":"2027-01-15T17:00:00Z","time_sure":true,"part":"turn check","method":"turn-check","board":"MMC5983MA at 0x30 with LSM6DSO at 0x6a","temp_c":15,"sigma_deg":0.5,"figures":[],
		"turn_check":{"offset_uT":{"X":1,"Y":0,"Z":0},"left_uT2":[[0.1,0,0],[0,0.1,0],[0,0,0.1]],"up":{"X":0,"Y":0,"Z":1}}}`
	storedWarmth = `{"time":"2027-01-14T18:00:00Z","time_sure":true,"part":"temperature","method":"nights","board":"LSM6DSO at 0x6a","sigma_deg":0.01,"figures":[],
		"temperature":{"accel_m_s2_per_c":{"X":0.001},"accel_sigma_m_s2_per_c":{"X":1e-4,"Y":1e-4,"Z":1e-4},"accel_next_sigma_m_s2_per_c":{"X":1e-4,"Y":1e-4,"Z":1e-4},"up":{"Z":1},"min_c":0,"max_c":20,"nights":[1]}}`
	storedSight = `{"time":"2027-01-15T17:20:00Z","time_sure":true,"kind":"star","how":"along","body":"Polaris","altitude":{"deg":52,"sigma_deg":0.1},"azimuth":{"deg":0.5,"sigma_deg":0.1},"sight_sigma_deg":0.1}`
	storedKit   = `{"pixel_um":4.3,"trail_px":2,"lenses":[{"name":"24 mm","focal_mm":24,"exposure_s":60}]}`
	storedKnobs = `{"altitude":{"deg_per_turn":-2,"backlash_deg":0.2,"covariance":[0.1,0,0.01],"told":3,"way":1},"azimuth":{"deg_per_turn":3,"backlash_deg":0.1,"covariance":[0.1,0,0.01],"told":2,"coupling":0.01,"coupling_variance":0.001,"steps":2}}`
	storedWatch = `{"armed":true,"armed_at":"2027-01-15T17:25:00Z","lens":"24 mm","exposure_s":60,"tilt_deg":51,"error_known":true,"error_up_deg":0.1,"error_up_sigma_deg":0.1,"error_east_deg":0.2,"error_east_sigma_deg":0.3}`
)

// FuzzStored starts a daemon from whatever a disk gives back: it works, and says of
// nothing that it is known without a number and a sigma that can be.
func FuzzStored(f *testing.F) {
	for _, r := range []string{storedAccel, storedAxis, storedTurn, storedWarmth} {
		f.Add(r, storedSight, storedKit, storedKnobs, storedWatch)
	}
	for _, bad := range []string{
		`{"part":"axis","board":"LSM6DSO at 0x6a","axis":{"direction":{"X":0,"Y":0,"Z":0},"sigma_deg":-1}}`,
		`{"part":"axis","board":"LSM6DSO at 0x6a","axis":{"direction":{"X":1e308,"Y":1e308,"Z":1e308},"sigma_deg":1e308}}`,
		`{"part":"turn check","time_sure":true,"time":"2027-01-15T17:00:00Z","board":"MMC5983MA at 0x30 with LSM6DSO at 0x6a","turn_check":{"offset_uT":{"X":1e308},"left_uT2":[[-1,1e308,0],[0,-1,0],[0,0,-1]],"up":{}}}`,
		`{"part":"temperature","board":"LSM6DSO at 0x6a","temperature":{"accel_m_s2_per_c":{"X":1e308},"accel_sigma_m_s2_per_c":{"X":-1},"gyro_rad_s_per_c":{"X":1e308},"up":{},"min_c":1e308,"max_c":-1e308}}`,
		`{"part":"accelerometer","board":"LSM6DSO at 0x6a","correction":{"kind":"accelerometer","offset_m_s2":[1e308,0,0],"matrix":[[0,0,0],[0,0,0],[0,0,0]]}}`, `{"part":"accelerometer","board":"LSM6DSO at 0x6a"}`, `{`, `null`, `[]`,
	} {
		f.Add(bad, `{"kind":"","altitude":{"deg":1e308,"sigma_deg":-1},"in_use":true}`, `{"pixel_um":-1}`, `{"altitude":7}`, `{"armed":true}`)
	}
	f.Add(storedAxis, storedSight, storedKit, `{"azimuth":{"deg_per_turn":1e308,"backlash_deg":-1,"covariance":[-1,5,-1],"told":-7,"coupling_variance":-1}}`, `{"armed":true,"error_known":true,"error_up_deg":1e308,"error_up_sigma_deg":-1}`)
	f.Fuzz(func(t *testing.T, calibration, sighting, kit, knobs, watch string) {
		m := &memory{documents: map[string]json.RawMessage{"kit": json.RawMessage(kit), "knobs": json.RawMessage(knobs), "watch": json.RawMessage(watch)}}
		m.calibrations, m.sightings = [][]byte{[]byte(calibration)}, [][]byte{[]byte(sighting)}
		r := newRig(t, "larkmoor", 3, func(o *daemon.Options) { o.Store = m })
		defer r.stop()
		inUse, kept := r.d.Calibrations()
		for _, c := range append(inUse, kept...) {
			if err := c.Check(); err != nil {
				t.Fatalf("%v from %q", err, calibration)
			}
		}
		for range 6 {
			r.run(time.Second)
			e := &r.seen.Estimate
			for name, q := range map[string]estimator.Quantity{"altitude": e.Altitude, "azimuth": e.Azimuth, "roll": e.Roll, "raise": r.seen.Guidance.Raise, "turn east": r.seen.Guidance.TurnEast, "error": r.seen.Guidance.Error} {
				if q.Known && !(math.Abs(q.Deg) <= 360 && q.SigmaDeg >= 0 && q.SigmaDeg <= 360) {
					t.Fatalf("%s %v ± %v from %q", name, q.Deg, q.SigmaDeg, calibration)
				}
			}
		}
	})
}
