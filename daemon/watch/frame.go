package watch

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// frame is the pose that moves are counted from, in the axes of the base: body
// axes, turned back by the head's own rotation when the board rides on it.
//
// With forward f (the horizontal direction of the axis), left l and up u, a small
// rotation phi of the base changes the axis' altitude by -phi·l and shifts it to
// the left on the night sky by cos(alt) phi·u - sin(alt) phi·f; phi·x is roll. The
// specific force shows phi·l and phi·f, and is blind to phi·u.
type frame struct {
	ok       bool
	f, l, u  r3.Vec
	cos, sin float64 // of the axis' altitude
}

// newFrame takes the specific force at rest.
func newFrame(a r3.Vec) frame {
	if r3.Norm(a) == 0 {
		return frame{}
	}
	u := r3.Unit(a)
	x := r3.Vec{X: 1}
	f := r3.Sub(x, r3.Scale(u.X, u))
	if r3.Norm(f) < 1e-3 {
		// At the zenith any horizontal direction serves.
		z := r3.Vec{Z: -1}
		f = r3.Sub(z, r3.Scale(r3.Dot(z, u), u))
	}
	f = r3.Unit(f)
	return frame{ok: true, f: f, l: r3.Cross(u, f), u: u, cos: r3.Dot(x, f), sin: u.X}
}

// tilt is how far a leans out of the frame, degrees: forward side up (altitude)
// and left side up.
func (r *frame) tilt(a r3.Vec) (up, side float64) {
	k := 1 / (degree * r3.Dot(a, r.u))
	return k * r3.Dot(a, r.f), k * r3.Dot(a, r.l)
}

// altitudeChange is the exact change of the axis' altitude, degrees, for tilts
// up and side as tilt gives them.
func (r *frame) altitudeChange(up, side float64) float64 {
	tu, ts := up*degree, side*degree
	s := (r.cos*tu + r.sin) / math.Sqrt(1+tu*tu+ts*ts)
	return (math.Asin(max(-1, min(1, s))) - math.Asin(r.sin)) / degree
}

// toBase brings a vector from body axes into those of the base, against which
// the body is turned about x by the angle with the given sine and cosine.
func toBase(v r3.Vec, sin, cos float64) r3.Vec {
	return r3.Vec{X: v.X, Y: cos*v.Y - sin*v.Z, Z: sin*v.Y + cos*v.Z}
}
