package trail

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// compose is the rotation by second, then by first.
func compose(first, second r3.Rotation) r3.Rotation {
	return r3.Rotation(quat.Mul(quat.Number(first), quat.Number(second)))
}

// Frame is where the picture points when the exposure begins.
type Frame struct {
	Centre Star
	// RollDeg is the position angle of the picture's upper edge, from north
	// through east.
	RollDeg float64
}

// Trails are the trails of stars in one picture, in pixels.
type Trails struct {
	CentrePx float64
	// CornersPx: upper left, upper right, lower left, lower right, as the eye sees
	// the night sky.
	CornersPx [4]float64
}

// Worst is the longest of them.
func (t Trails) Worst() float64 {
	w := t.CentrePx
	for _, c := range t.CornersPx {
		w = math.Max(w, c)
	}
	return w
}

// TrailsIn computes the trails of stars at the centre and in the corners of a
// picture: the largest distance between any two points of each trail, through
// the real projection. A star that leaves the lens's view trails without end.
func TrailsIn(k Kit, e Error, hemisphere astro.Hemisphere, f Frame, exposureS float64) (Trails, error) {
	if err := check(k, e); err != nil {
		return Trails{}, err
	}
	return k.trails(e, hemisphere, f, exposureS), nil
}

// LongestInS is the longest exposure in seconds with every star of this picture
// (centre only, or corners too) below the kit's limit; +Inf when half a day of
// rotation would not reach it.
func LongestInS(k Kit, e Error, hemisphere astro.Hemisphere, f Frame, corners bool) (float64, error) {
	if err := check(k, e); err != nil {
		return 0, err
	}
	longest := func(seconds float64) float64 {
		t := k.trails(e, hemisphere, f, seconds)
		if corners {
			return t.Worst()
		}
		return t.CentrePx
	}
	if longest(halfTurnS) <= k.TrailPx {
		return math.Inf(1), nil
	}
	low, high := 0.0, halfTurnS
	for high-low > 1e-4*low+1e-3 {
		mid := (low + high) / 2
		if longest(mid) <= k.TrailPx {
			low = mid
		} else {
			high = mid
		}
	}
	return low, nil
}

func check(k Kit, e Error) error {
	if err := k.Validate(); err != nil {
		return err
	}
	return e.Validate()
}

func (k Kit) trails(e Error, hemisphere astro.Hemisphere, f Frame, exposureS float64) Trails {
	sin, cos := math.Sincos(f.RollDeg * math.Pi / 180)
	north, east := f.Centre.north(), f.Centre.east()
	up := r3.Add(r3.Scale(cos, north), r3.Scale(sin, east))
	right := r3.Add(r3.Scale(sin, north), r3.Scale(-cos, east)) // west where up is north
	cam := camera{Kit: k, forward: f.Centre.vec(), up: up, right: right}

	w, h := k.SensorWidthMM/2, k.SensorHeightMM/2
	points := [5][2]float64{{0, 0}, {-w, h}, {w, h}, {-w, -h}, {w, -h}}
	// A trail bends too little for more steps to matter: a sixth of it differs from
	// its chord by less than 0.2 % even after half a day.
	const steps = 6
	var turns [steps + 1]r3.Rotation
	for i := range turns {
		turns[i] = relativeTurn(e, hemisphere, exposureS*float64(i)/steps)
	}
	var out [5]float64
	for n, p := range points {
		v := cam.direction(p[0], p[1])
		var trail [steps + 1][2]float64
		for i, turn := range turns {
			x, y, ok := cam.point(turn.Rotate(v))
			if !ok {
				out[n] = math.Inf(1)
				break
			}
			trail[i] = [2]float64{x, y}
			for _, q := range trail[:i] {
				out[n] = math.Max(out[n], math.Hypot(x-q[0], y-q[1])*1e3/k.PixelUM)
			}
		}
	}
	return Trails{CentrePx: out[0], CornersPx: [4]float64(out[1:])}
}

// camera is a kit held in the night sky's frame of motion.go.
type camera struct {
	Kit
	forward, up, right r3.Vec
}

// direction is the line of sight of a point in the picture, millimetres right
// and up as the night sky is seen.
func (c camera) direction(x, y float64) r3.Vec {
	r := math.Hypot(x, y)
	if r == 0 {
		return c.forward
	}
	theta, _ := c.theta(r)
	sin, cos := math.Sincos(theta)
	side := r3.Add(r3.Scale(x/r, c.right), r3.Scale(y/r, c.up))
	return r3.Add(r3.Scale(cos, c.forward), r3.Scale(sin, side))
}

// point is where a direction falls in the picture.
func (c camera) point(v r3.Vec) (x, y float64, ok bool) {
	dx, dy := r3.Dot(v, c.right), r3.Dot(v, c.up)
	sin := math.Hypot(dx, dy)
	if sin == 0 {
		return 0, 0, true
	}
	r, ok := c.radius(math.Atan2(sin, r3.Dot(v, c.forward)))
	return r * dx / sin, r * dy / sin, ok
}
