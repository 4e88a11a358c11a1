package estimator

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// The Jacobian after the axis was found, against the procedure itself: an
// accelerometer with an offset, a head turned through many angles, the plane
// through the directions of up, and the pose of that axis.
func TestSinceAxisMatchesATurnedHead(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 50 {
		alt := 15 + 60*rng.Float64()
		az, roll := 360*rng.Float64(), -40+80*rng.Float64()
		offset := r3.Vec{X: 0.02 * rng.NormFloat64(), Y: 0.02 * rng.NormFloat64(), Z: 0.02 * rng.NormFloat64()}
		force := func(roll float64) r3.Vec { return inBody(r3.Vec{Z: sensors.StandardGravity}, alt, az, roll) }
		field := inBody(r3.Vec{Y: 19, Z: -44}, alt, az, roll)

		// The axis n with the least scatter of n·up, by a few Gauss-Newton steps
		// about x: n = (1, a, b).
		var a, b float64
		arc := 90 + 90*rng.Float64()
		for range 20 {
			var n, sy, sz, sd, syy, szz, syz, syd, szd float64
			for k := range 91 {
				u := r3.Unit(r3.Add(force(roll+arc*float64(k)/90), offset))
				d := u.X + a*u.Y + b*u.Z
				n, sy, sz, sd = n+1, sy+u.Y, sz+u.Z, sd+d
				syy, szz, syz, syd, szd = syy+u.Y*u.Y, szz+u.Z*u.Z, syz+u.Y*u.Z, syd+u.Y*d, szd+u.Z*d
			}
			cyy, czz, cyz, cyd, czd := syy-sy*sy/n, szz-sz*sz/n, syz-sy*sz/n, syd-sy*sd/n, szd-sz*sd/n
			det := cyy*czz - cyz*cyz
			a -= (cyd*czz - czd*cyz) / det
			b -= (czd*cyy - cyd*cyz) / det
		}
		axis := r3.Unit(r3.Vec{X: 1, Y: a, Z: b})

		// Its pose: altitude above the measured up, azimuth against the field.
		up := r3.Add(force(roll), offset)
		gotAlt := math.Asin(r3.Dot(axis, r3.Unit(up))) / degree
		east := r3.Cross(field, up)
		north := r3.Cross(r3.Unit(up), east)
		gotAz := math.Atan2(r3.Dot(axis, east), r3.Dot(axis, north)) / degree
		plain := poseJacobian(force(roll), field)
		j := plain.sinceAxis(force(roll))
		predict := func(r int) float64 { return j[r][0]*offset.X + j[r][1]*offset.Y + j[r][2]*offset.Z }
		errAlt, errAz := gotAlt-alt, wrap180(gotAz-heading(force(roll), field))
		if math.Abs(errAlt-predict(0)) > 0.002 {
			t.Errorf("altitude %.0f roll %.0f offset %.3f: altitude off by %.4f°, predicted %.4f°", alt, roll, offset, errAlt, predict(0))
		}
		if math.Abs(errAz-predict(1)) > 0.02*(1+math.Tan(alt*degree)) {
			t.Errorf("altitude %.0f roll %.0f offset %.3f: azimuth off by %.4f°, predicted %.4f°", alt, roll, offset, errAz, predict(1))
		}
	}
}
