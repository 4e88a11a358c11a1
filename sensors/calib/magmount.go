package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Limits of mounted: the fewest moments with up and field, how far their angle must
// scatter (1 sigma, part of the field) before the axes are doubted, by how much less
// it must scatter with others, and the least vertical part of the field that tells
// up from down.
const (
	mountPairs    = 50
	mountScatter  = 0.1
	mountBetter   = 3
	mountVertical = 0.3
)

// mounted refuses a compass whose axes are not the board's, of which the strength
// alone tells nothing and the joint fit would find some wrong rotation: settings
// that name other axes, or a chip whose axes are mirrored. Turned freely, a field
// keeps its part along up; so it is asked under which of the 24 rotations that bring
// axes onto axes it does so best. Axes that are all reversed keep it as well, and
// put the field's north end on the other side of the horizon, which tells a mirror
// where the dip is roughly known.
func (a *magProblem) mounted(p []float64, o *MagOptions) error {
	n := float64(len(a.ups))
	if n < mountPairs {
		return nil
	}
	offset, m := paramsOf(p)
	// up·(R·field) is a sum of products of the components: mean and covariance of
	// those give it for every R.
	var mean [9]float64
	var square [9][9]float64
	for i := range a.ups {
		u, c := a.ups[i].up, m.Apply(r3.Sub(a.ups[i].raw, offset))
		q := [9]float64{u.X * c.X, u.X * c.Y, u.X * c.Z, u.Y * c.X, u.Y * c.Y, u.Y * c.Z, u.Z * c.X, u.Z * c.Y, u.Z * c.Z}
		for j, v := range q {
			mean[j] += v / n
			for k, w := range q {
				square[j][k] += v * w / n
			}
		}
	}
	strength := p[pField]
	along := func(r *Mat3) (part, scatter float64) {
		var v float64
		for j, x := range r {
			part += x * mean[j]
			for k, y := range r {
				v += x * y * (square[j][k] - mean[j]*mean[k])
			}
		}
		return part / strength, math.Sqrt(max(0, v)) / strength
	}
	as := identity
	part, asSet := along(&as)
	best := asSet
	for _, r := range axisRotations() {
		if up, s := along(&r); s < best {
			part, best = up, s
		}
	}
	other := asSet > mountScatter && mountBetter*best < asSet
	if !other {
		part, best = along(&as)
	}
	known := math.Abs(math.Sin(o.dipAbout)) > mountVertical && math.Abs(part) > mountVertical
	mirrored := known && part*o.dipAbout > 0
	const check = "check forward and up of magnetometer and accelerometer in the settings against the marks on their boards"
	reason := fmt.Sprintf("the field keeps its angle to the vertical only with other axes than the settings say: it scatters by %.0f° now and by %.0f° then",
		deg(math.Asin(min(1, asSet))), deg(math.Asin(min(1, best))))
	switch {
	case mirrored && (other || best < mountScatter):
		return magRefusal("the compass's axes are mirrored: north would lie on the other side of the horizon",
			"no setting mends that; look whether this program knows the chip under another name, and report it")
	case other && known:
		return magRefusal(reason, check)
	case other:
		return magRefusal(reason, check+"; if they are right, the chip's axes are mirrored, which no setting mends")
	}
	return nil
}

// axisRotations are the 24 rotations that bring axes onto axes.
func axisRotations() []Mat3 {
	var all []Mat3
	for _, to := range [6][3]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}} {
		for signs := range 8 {
			var r Mat3
			for i, k := range to {
				r[3*i+k] = 1 - 2*float64(signs>>i&1)
			}
			if r.det() > 0 {
				all = append(all, r)
			}
		}
	}
	return all
}
