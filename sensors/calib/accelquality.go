package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

const standardGravity = sensors.StandardGravity

// distinctDirections counts the poses that are at least 15° from all that were
// counted before, rest poses first.
func distinctDirections(poses []Pose) int {
	var seen []r3.Vec
	for _, slow := range []bool{false, true} {
	next:
		for i := range poses {
			if poses[i].Slow != slow {
				continue
			}
			u := r3.Unit(poses[i].Accel)
			for _, v := range seen {
				if r3.Dot(u, v) > math.Cos(15*math.Pi/180) {
					continue next
				}
			}
			seen = append(seen, u)
		}
	}
	return len(seen)
}

// tiltWeight is the 9x9 matrix W for which trace(W·cov) is the mean, over all
// attitudes and both axes, of the tilt variance (rad²) that cov, the covariance
// of offset and symmetric matrix, causes.
func tiltWeight(p []float64, g float64) *mat.SymDense {
	aff := Affine{Matrix: symMatrix(p[3:9])}
	w := mat.NewSymDense(9, nil)
	dirs := spiral(60)
	for _, u := range dirs {
		j12 := aff.jacobian(r3.Scale(g, u))
		var j [3][9]float64
		for r := range 3 {
			copy(j[r][:3], j12[r][:3])
			for k, ix := range symIndex {
				j[r][3+k] = j12[r][3+3*ix[0]+ix[1]]
				if ix[0] != ix[1] {
					j[r][3+k] += j12[r][3+3*ix[1]+ix[0]]
				}
			}
		}
		uu := [3]float64{u.X, u.Y, u.Z}
		for a := range 9 {
			for b := a; b < 9; b++ {
				s := 0.0
				for r := range 3 {
					for c := range 3 {
						d := -uu[r] * uu[c]
						if r == c {
							d++
						}
						s += j[r][a] * d * j[c][b]
					}
				}
				w.SetSym(a, b, w.At(a, b)+s/(2*g*g*float64(len(dirs))))
			}
		}
	}
	return w
}

// tiltOverSphere is the root mean square and the largest 1-sigma tilt error in
// degrees over all attitudes.
func tiltOverSphere(a *Affine, g float64) (rmsDeg, worstDeg float64) {
	dirs := spiral(60)
	var sum float64
	for _, u := range dirs {
		c := a.DirectionCov(r3.Scale(g, u), math.NaN())
		sum += (c[0] + c[4] + c[8]) / 2
		worstDeg = max(worstDeg, math.Sqrt(tangentMax(&c)))
	}
	return deg(math.Sqrt(sum / float64(len(dirs)))), deg(worstDeg)
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }
func rad(deg float64) float64 { return deg * math.Pi / 180 }

// next finds the attitude whose rest pose would lower the mean tilt variance
// most, by a rank-one update of the covariance, and the tilt sigma (degrees)
// that would then remain.
func (a *accelProblem) next(p []float64, cov mat.Symmetric, scale float64) (r3.Vec, float64) {
	c := mat.NewSymDense(9, nil)
	for i := range 9 {
		for j := i; j < 9; j++ {
			c.SetSym(i, j, scale*cov.At(i, j))
		}
	}
	w := tiltWeight(p, a.g)
	var cw mat.Dense
	cw.Mul(c, w)
	now := mat.Trace(&cw)
	m := symMatrix(p[3:9])
	inv := m.inverse()
	variance := a.typicalVariance() * scale
	var best r3.Vec
	gain := -1.0
	candidates := append([]r3.Vec{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}, {Z: 1}, {Z: -1}}, spiral(150)...)
	for _, u := range candidates {
		q := Pose{Accel: r3.Add(inv.Apply(r3.Scale(a.g, u)), r3.Vec{X: p[0], Y: p[1], Z: p[2]}), TempC: a.refTemp}
		var j [12]float64
		a.row(p, &q, &j)
		jv := mat.NewVecDense(9, j[:9])
		var cj, wcj mat.VecDense
		cj.MulVec(c, jv)
		wcj.MulVec(w, &cj)
		if g := mat.Dot(&cj, &wcj) / (variance + mat.Dot(jv, &cj)); g > gain*1.001 {
			gain, best = g, u
		}
	}
	return best, deg(math.Sqrt(math.Max(0, now-gain)))
}

// typicalVariance is the median variance of a rest pose along gravity.
func (a *accelProblem) typicalVariance() float64 {
	var v []float64
	for i := range a.poses {
		if q := &a.poses[i]; !q.Slow {
			v = append(v, (q.AccelCov[0]+q.AccelCov[4]+q.AccelCov[8])/3)
		}
	}
	return median(v) + a.opt.Floor*a.opt.Floor
}
