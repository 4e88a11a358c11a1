package pole

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// FrameCentre is where a camera fixed to the tracker's head pointed in one
// picture, found by matching stars elsewhere.
type FrameCentre struct {
	// Direction of the centre as the air shows it, at the time of the picture.
	Direction astro.Direction
	SigmaDeg  float64 // of each coordinate on the night sky, 1 sigma; 0: DefaultFrameSigmaDeg
	// HeadKnown says that HeadDeg holds the angle of the head about its axis,
	// growing as the drive turns it with the night sky, from any zero.
	HeadKnown    bool
	HeadDeg      float64
	HeadSigmaDeg float64 // 1 sigma; 0: exact
	Label        string
}

// DefaultFrameSigmaDeg is 10 arcsec: a few pixels of a lens of 100 mm, and the
// rest of what bends. Common practice, no source.
const DefaultFrameSigmaDeg = 10.0 / 3600

// FromFrames finds the axis about which the head turned between pictures: the
// centres lie on a circle about it. Three pictures at different head angles are
// enough, two when the head angles are known. The camera must not move against the
// head, nor the tripod.
func FromFrames(aim astro.Direction, frames []FrameCentre) (Fix, error) {
	known := 0
	labels := make([]string, len(frames))
	for i, c := range frames {
		labels[i] = c.Label
		if c.Label == "" {
			labels[i] = fmt.Sprintf("frame %d", i+1)
		}
		if err := c.check(); err != nil {
			return Fix{}, fmt.Errorf("%s: %w", labels[i], err)
		}
		if c.HeadKnown {
			known++
		}
	}
	switch {
	case len(frames) < 2:
		return Fix{}, &Degenerate{"one frame shows no rotation", "turn the head by 60° or more and take another"}
	case len(frames) == 2 && known < 2:
		return Fix{}, &Degenerate{"two frames without their head angles leave the axis open", "give both angles, or turn the head on and take a third"}
	}
	start, radius, ok := startOfCircle(aim, frames)
	if !ok {
		return Fix{}, frameAdvice(math.Inf(1))
	}
	// The pole's hemisphere decides which way the head turns for an eye along the axis.
	sense := -1.0
	if hemisphereOf(aim) == astro.South {
		sense = 1
	}
	base := tangent(start)
	f := fit{start: []float64{0, 0, radius}}
	if known >= 2 {
		f.start = append(f.start, startPhase(start, frames, sense))
	}
	for _, c := range frames {
		v := c.Direction.Vec()
		sigma := c.SigmaDeg * radPerDeg
		if c.SigmaDeg == 0 {
			sigma = DefaultFrameSigmaDeg * radPerDeg
		}
		withHead := c.HeadKnown && known >= 2
		size := 1
		if withHead {
			size = 2
		}
		f.groups = append(f.groups, group{size: size, residual: func(p, out []float64) {
			x, y := tangent(astro.DirectionOf(base.at(p[1], p[0]))).of(v)
			rho := math.Hypot(x, y)
			out[0] = (rho - p[2]) / sigma
			if withHead {
				across := math.Sin(rho)
				turned := math.Remainder(math.Atan2(x, y)-p[3]-sense*c.HeadDeg*radPerDeg, 2*math.Pi)
				out[1] = turned * across / math.Hypot(sigma, c.HeadSigmaDeg*radPerDeg*across)
			}
		}})
		f.used = append(f.used, true)
	}
	return f.run(base, aim, labels, func(_ [2]float64, sigma float64) *Degenerate { return frameAdvice(sigma) })
}

func (c FrameCentre) check() error {
	switch {
	case !(c.Direction.AltDeg >= -90 && c.Direction.AltDeg <= 90) || !(c.Direction.AzDeg >= -360 && c.Direction.AzDeg <= 720):
		return fmt.Errorf("azimuth %v°, altitude %v°: give a direction", c.Direction.AzDeg, c.Direction.AltDeg)
	case c.SigmaDeg != 0 && !(c.SigmaDeg >= finestSigmaDeg && c.SigmaDeg <= 5):
		return fmt.Errorf("sigma %v°: give %v to 5, or 0 for the default", c.SigmaDeg, finestSigmaDeg)
	case c.HeadKnown && (!(math.Abs(c.HeadDeg) <= 3600) || !(c.HeadSigmaDeg >= 0 && c.HeadSigmaDeg <= 45)):
		return fmt.Errorf("head angle %v° with sigma %v°: give degrees, and a sigma up to 45", c.HeadDeg, c.HeadSigmaDeg)
	}
	return nil
}

func frameAdvice(sigma float64) *Degenerate {
	why := "the frames lie too close together to show the axis"
	if !math.IsInf(sigma, 1) {
		why = fmt.Sprintf("the frames fix the axis only to %.1f°", sigma/radPerDeg)
	}
	return &Degenerate{why, "turn the head by 60° or more between frames, with the camera pointing at least some degrees away from the axis"}
}

// startOfCircle guesses the axis and the radius of its circle, in radians: from
// two frames with head angles, else from the plane through three.
func startOfCircle(aim astro.Direction, frames []FrameCentre) (axis astro.Direction, radius float64, ok bool) {
	var best r3.Vec
	towards := aim.Vec()
	sense := -1.0
	if hemisphereOf(aim) == astro.South {
		sense = 1
	}
	surest := 1e-6 // sine of the angle between the two: nothing smaller is a turn
	for i, a := range frames {
		for _, b := range frames[:i] {
			va, vb := a.Direction.Vec(), b.Direction.Vec()
			apart := r3.Norm(r3.Cross(va, vb))
			turn := math.Remainder((a.HeadDeg-b.HeadDeg)*radPerDeg, 2*math.Pi)
			if !a.HeadKnown || !b.HeadKnown || apart <= surest || math.Abs(turn) < 1e-3 {
				continue
			}
			// The axis lies on the perpendicular bisector of the two, at the distance
			// where they appear turned by the angle (a right triangle: sin distance is
			// tan half / tan half turn); the sign of a clockwise turn for an eye along
			// the axis is that of sense. Of the two solutions the one towards the pole.
			mid := r3.Unit(r3.Add(va, vb))
			side := r3.Unit(r3.Cross(r3.Sub(va, vb), mid))
			half := math.Atan2(r3.Norm(r3.Sub(va, vb)), r3.Norm(r3.Add(va, vb)))
			sine := math.Max(-1, math.Min(1, math.Tan(half)/math.Tan(turn/2*sense)))
			near := r3.Sub(r3.Scale(math.Sqrt(1-sine*sine), mid), r3.Scale(sine, side))
			far := r3.Sub(r3.Scale(-math.Sqrt(1-sine*sine), mid), r3.Scale(sine, side))
			best, surest = near, apart
			if r3.Dot(far, towards) > r3.Dot(near, towards) {
				best = far
			}
		}
	}
	if best == (r3.Vec{}) {
		// The widest triangle.
		widest := 1e-9
		for i := range frames {
			for j := range i {
				for k := range j {
					a, b, c := frames[i].Direction.Vec(), frames[j].Direction.Vec(), frames[k].Direction.Vec()
					n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
					if size := r3.Norm(n); size > widest {
						best, widest = r3.Scale(1/size, n), size
					}
				}
			}
		}
		if best == (r3.Vec{}) {
			return axis, 0, false
		}
		if r3.Dot(best, towards) < 0 {
			best = r3.Scale(-1, best)
		}
	}
	axis = astro.DirectionOf(best)
	for _, c := range frames {
		radius += astro.Separation(axis, c.Direction) * radPerDeg / float64(len(frames))
	}
	return axis, radius, true
}

// startPhase is the place on the circle for the head's zero, from a frame with a
// known angle.
func startPhase(axis astro.Direction, frames []FrameCentre, sense float64) float64 {
	for _, c := range frames {
		if c.HeadKnown {
			x, y := tangent(axis).of(c.Direction.Vec())
			return math.Atan2(x, y) - sense*c.HeadDeg*radPerDeg
		}
	}
	return 0
}
