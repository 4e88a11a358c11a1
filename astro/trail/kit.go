package trail

import (
	"fmt"
	"math"
)

// Projection is how a lens maps the angle from its axis, theta, to the distance
// from the picture's centre, r, for the focal length f.
type Projection string

// The formulas are the definitions of the named projections.
const (
	Rectilinear   Projection = "rectilinear"   // r = f tan theta: straight lines stay straight
	Equidistant   Projection = "equidistant"   // r = f theta, fisheye
	Equisolid     Projection = "equisolid"     // r = 2 f sin(theta/2), the commonest fisheye
	Stereographic Projection = "stereographic" // r = 2 f tan(theta/2), fisheye
	Orthographic  Projection = "orthographic"  // r = f sin theta, fisheye
)

// Projections lists the known ones.
func Projections() []Projection {
	return []Projection{Rectilinear, Equidistant, Equisolid, Stereographic, Orthographic}
}

// Kit is a lens on a camera, with what its owner calls a trail.
type Kit struct {
	FocalMM float64
	PixelUM float64 // pitch of the pixels
	// SensorWidthMM and SensorHeightMM are 0 when only the centre matters.
	SensorWidthMM, SensorHeightMM float64
	Projection                    Projection // empty: rectilinear
	TrailPx                       float64    // longest trail that passes as a point, 0.1 to 100 pixels
}

func (k Kit) projection() Projection {
	if k.Projection == "" {
		return Rectilinear
	}
	return k.Projection
}

// Validate refuses what no camera has.
func (k Kit) Validate() error {
	in := func(v, low, high float64) bool { return v >= low && v <= high }
	switch {
	case !in(k.FocalMM, 1, 5000):
		return fmt.Errorf("focal length %v mm: give 1 to 5000", k.FocalMM)
	case !in(k.PixelUM, 0.5, 50):
		return fmt.Errorf("pixel pitch %v um: give 0.5 to 50", k.PixelUM)
	case !in(k.SensorWidthMM, 0, 200) || !in(k.SensorHeightMM, 0, 200):
		return fmt.Errorf("sensor %v x %v mm: give 0 to 200 each", k.SensorWidthMM, k.SensorHeightMM)
	case !in(k.TrailPx, 0.1, 100):
		return fmt.Errorf("trail %v pixels: give 0.1 to 100", k.TrailPx)
	}
	if _, ok := k.theta(k.cornerMM()); !ok {
		return fmt.Errorf("%s lens of %v mm cannot reach the corner of %v x %v mm: check projection, focal length and sensor",
			k.projection(), k.FocalMM, k.SensorWidthMM, k.SensorHeightMM)
	}
	return nil
}

// cornerMM is the distance from the centre to the corner.
func (k Kit) cornerMM() float64 { return math.Hypot(k.SensorWidthMM, k.SensorHeightMM) / 2 }

// theta is the angle from the lens's axis, radians, of a point r millimetres
// from the centre; false when no light of the front hemisphere (or, for the
// fisheyes that see further, of the whole sphere) gets there.
func (k Kit) theta(rMM float64) (float64, bool) {
	x := rMM / k.FocalMM
	switch k.projection() {
	case Rectilinear:
		return math.Atan(x), true
	case Equidistant:
		return x, x < math.Pi
	case Equisolid:
		return 2 * math.Asin(math.Min(x/2, 1)), x < 2
	case Stereographic:
		return 2 * math.Atan(x/2), true
	case Orthographic:
		return math.Asin(math.Min(x, 1)), x < 1
	}
	return 0, false
}

// radius is the inverse of theta, millimetres; false for an angle that the lens
// does not see.
func (k Kit) radius(theta float64) (float64, bool) {
	switch k.projection() {
	case Rectilinear:
		return k.FocalMM * math.Tan(theta), theta < math.Pi/2
	case Equidistant:
		return k.FocalMM * theta, true
	case Equisolid:
		return 2 * k.FocalMM * math.Sin(theta/2), true
	case Stereographic:
		return 2 * k.FocalMM * math.Tan(theta/2), theta < math.Pi
	case Orthographic:
		return k.FocalMM * math.Sin(theta), theta <= math.Pi/2
	}
	return 0, false
}

// Scale is the length in the picture of a small angle, millimetres per radian,
// at the angle theta from the lens's axis: along the radius (dr/dtheta) and
// across it (r/sin theta). Both are the focal length at the centre.
func (k Kit) Scale(theta float64) (radial, tangential float64) {
	f := k.FocalMM
	switch k.projection() {
	case Rectilinear:
		c := math.Cos(theta)
		return f / (c * c), f / c
	case Equidistant:
		if theta == 0 {
			return f, f
		}
		return f, f * theta / math.Sin(theta)
	case Equisolid:
		c := math.Cos(theta / 2)
		return f * c, f / c
	case Stereographic:
		c := math.Cos(theta / 2)
		return f / (c * c), f / (c * c)
	case Orthographic:
		return f * math.Cos(theta), f
	}
	return math.NaN(), math.NaN()
}

// cornerScale is the larger of the two scales in the corner.
func (k Kit) cornerScale() float64 {
	theta, _ := k.theta(k.cornerMM())
	r, t := k.Scale(theta)
	return math.Max(r, t)
}
