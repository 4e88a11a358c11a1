package calib

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
)

// TurnReading is compass and gyroscope at one moment, while the mount is turned
// in azimuth.
type TurnReading struct {
	At time.Duration
	// CompassRad is the compass heading, clockwise from magnetic north as the
	// compass has it, in any turn.
	CompassRad float64
	// GyroRad is the heading by the gyroscope alone: clockwise, from any zero,
	// running on beyond a full turn.
	GyroRad float64
}

// TurnOptions steer CheckTurn; zero values take the defaults.
type TurnOptions struct {
	// SemicircularSigma is what the coefficients B and C may be before the turn,
	// 1 sigma in rad: 3° (1 µT of unknown iron in a 20 µT horizontal field).
	SemicircularSigma float64
	// QuadrantalSigma is the same for D and E (soft iron): 0.5°.
	QuadrantalSigma float64
	// GyroScaleSigma is the gyroscope's 1-sigma scale error, 0.01, and
	// GyroDriftSigma its 1-sigma bias left over, rad/s: 0.02°/s.
	GyroScaleSigma, GyroDriftSigma float64
	// LagSigmaS is how far, 1 sigma, the times of compass and gyroscope may be
	// apart, s; 0.01.
	LagSigmaS float64
	// FloorSigma is what no such curve describes (hysteresis, both kinds of iron
	// together), 1 sigma: 0.1°. It is in the sigma of At.
	FloorSigma float64
	// MinArcRad refuses shorter turns: 45°. MaxResidualRad refuses a turn in which
	// curve and gyroscope leave more than that, root mean square: 1°.
	MinArcRad, MaxResidualRad float64
}

func (o TurnOptions) withDefaults() TurnOptions {
	for v, d := range map[*float64]float64{
		&o.SemicircularSigma: rad(3), &o.QuadrantalSigma: rad(0.5), &o.GyroScaleSigma: 0.01,
		&o.GyroDriftSigma: rad(0.02), &o.LagSigmaS: 0.01, &o.MinArcRad: rad(45), &o.MaxResidualRad: rad(1), &o.FloorSigma: rad(0.1),
	} {
		if *v <= 0 {
			*v = d
		}
	}
	return o
}

// Deviation is a compass swing by gyroscope: the curve that must be added to
// the compass heading φ to get the magnetic heading,
//
//	A + asin(B sin φ + C cos φ) + D sin 2φ + E cos 2φ
//
// These are the coefficients of the marine trade (National Geospatial-Intelligence
// Agency, "Handbook of Magnetic Compass Adjustment", chapter V; φ is the compass
// heading, deviation east positive), with the arcsine that makes the part of B
// and C exact for iron that turns with the board. D and E come from soft iron.
//
// A cannot be seen: the gyroscope has no north. Iron that stands beside the
// tripod and does not turn with it changes the field by the same vector at
// every heading, which is A again, as declination is. Only a bearing of a known
// direction finds it.
type Deviation struct {
	B, C, D, E float64       // rad (B and C: sine of an angle)
	Cov        [4][4]float64 // of B, C, D, E
	FloorSigma float64       // rad, see TurnOptions
	// ArcRad is how far the mount was turned: 2π and more is a full swing.
	ArcRad float64
	// ResidualRMS is what curve and gyroscope left, rad; NoiseSigma the part
	// that readings 3° apart do not share.
	ResidualRMS float64
	// GyroScale is the scale error that was found for the gyroscope, LagS how
	// much later than stated the compass was read, s.
	GyroScale, LagS float64
	// Sigmas says how significant the curve is: the square root of the chi-square
	// of B and C against zero. Beyond 3 there is a deviation.
	Sigmas float64
}

// CheckTurn compares the compass with the gyroscope over a turn. It returns a
// *Refusal when the arc is too short to tell anything, or when compass and
// gyroscope differ by what no such curve explains.
//
// What the turn did not check stays as unsure as before: At of a heading
// outside the arc has nearly the sigma of the options.
func CheckTurn(readings []TurnReading, opt TurnOptions) (Deviation, error) {
	opt = opt.withDefaults()
	readings = slices.DeleteFunc(slices.Clone(readings), func(r TurnReading) bool {
		s := r.CompassRad + r.GyroRad
		return math.IsNaN(s) || math.IsInf(s, 0)
	})
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, r := range readings {
		lo, hi = min(lo, r.GyroRad), max(hi, r.GyroRad)
	}
	nodes := turnNodes(readings)
	if !(hi-lo >= opt.MinArcRad) || len(nodes) < dCount+3 {
		arc := max(0, deg(hi-lo))
		return Deviation{}, &Refusal{What: "turn check", Reason: fmt.Sprintf("the mount was turned by %.0f°, %.0f° are needed", arc, deg(opt.MinArcRad)),
			Advice: "turn it slowly through at least a quarter, better a whole turn"}
	}
	d, err := fitDeviation(nodes, hi-lo, &opt)
	if err == nil && d.ResidualRMS > opt.MaxResidualRad {
		return d, &Refusal{What: "turn check", Reason: fmt.Sprintf("compass and gyroscope part by %.1f° that no iron on the mount explains, %.1f° are the most: the field changed meanwhile, or the turn was too fast", deg(d.ResidualRMS), deg(opt.MaxResidualRad)),
			Advice: "move phone, tools and power leads away and turn the mount again, slowly"}
	}
	return d, err
}

// turnNode is the mean over up to 3° of turning, so that a rest in one heading
// does not outweigh the turn.
type turnNode struct{ heading, gyro, t, diff, rate float64 }

func turnNodes(readings []TurnReading) []turnNode {
	var nodes []turnNode
	for i := 0; i < len(readings); {
		first := &readings[i]
		var n turnNode
		k := 0.0
		for i < len(readings) && math.Abs(readings[i].GyroRad-first.GyroRad) < rad(3) {
			r := &readings[i]
			// Relative to the first, so that no wrap spoils the mean.
			n.heading += math.Remainder(r.CompassRad-first.CompassRad, 2*math.Pi)
			n.gyro += r.GyroRad
			n.t += r.At.Seconds()
			k++
			i++
		}
		n.heading, n.gyro, n.t = first.CompassRad+n.heading/k, n.gyro/k, n.t/k
		last := &readings[i-1]
		if i < len(readings) {
			last = &readings[i]
		}
		if dt := (last.At - first.At).Seconds(); dt > 0 {
			n.rate = (last.GyroRad - first.GyroRad) / dt
		}
		if n.diff = n.gyro - n.heading; len(nodes) > 0 {
			last := nodes[len(nodes)-1].diff
			n.diff = last + math.Remainder(n.diff-last, 2*math.Pi)
		}
		nodes = append(nodes, n)
	}
	return nodes
}

// Parameters of fitDeviation: B, C, D, E; scale and drift of the gyroscope; the
// compass's lag; the gyroscope's zero.
const (
	dScale = 4 + iota
	dDrift
	dLag
	dZero
	dCount
)

func fitDeviation(nodes []turnNode, arc float64, o *TurnOptions) (Deviation, error) {
	mid := nodes[len(nodes)/2]
	ch := newChannel(len(nodes), rad(0.5))
	ch.floor = rad(0.02)
	build := func(p []float64, q *normal) {
		for i, n := range nodes {
			dev, j4 := deviation(p, n.heading)
			j := [dCount]float64{j4[0], j4[1], j4[2], j4[3], n.gyro - mid.gyro, n.t - mid.t, n.rate, 1}
			r := dev - (n.diff - mid.diff)
			for k := dScale; k < dCount; k++ {
				r += p[k] * j[k]
			}
			ch.resid[i] = r
			q.add(0, j[:], r, ch.w(i))
		}
		for k, sd := range [...]float64{o.SemicircularSigma, o.SemicircularSigma, o.QuadrantalSigma, o.QuadrantalSigma, o.GyroScaleSigma, o.GyroDriftSigma, o.LagSigmaS} {
			q.add(k, []float64{1}, p[k], 1/(sd*sd))
		}
	}
	p := make([]float64, dCount)
	var q *normal
	for range 5 {
		var err error
		if q, err = levenberg(p, build); err != nil {
			return Deviation{}, &Refusal{What: "turn check", Reason: err.Error(), Advice: "turn the mount again, slowly"}
		}
		ch.reweigh(false)
		ch.sigma *= math.Sqrt(float64(len(nodes)) / max(1, float64(len(nodes)-dCount)))
		ch.correlate(1)
		ch.share = 1 / ch.tau
	}
	cov, err := q.cov()
	if err != nil {
		return Deviation{}, &Refusal{What: "turn check", Reason: err.Error(), Advice: "turn the mount again, slowly"}
	}
	d := Deviation{B: p[0], C: p[1], D: p[2], E: p[3], ArcRad: arc, GyroScale: p[dScale], LagS: -p[dLag], FloorSigma: o.FloorSigma}
	for i := range 4 {
		for k := range 4 {
			d.Cov[i][k] = cov.At(i, k)
		}
	}
	for _, r := range ch.resid {
		d.ResidualRMS += r * r / float64(len(nodes))
	}
	d.ResidualRMS = math.Sqrt(d.ResidualRMS)
	var ch2 mat.Cholesky
	bc := mat.NewSymDense(2, []float64{d.Cov[0][0], d.Cov[0][1], d.Cov[0][1], d.Cov[1][1]})
	if ch2.Factorize(bc) {
		var x mat.VecDense
		v := mat.NewVecDense(2, []float64{d.B, d.C})
		if ch2.SolveVecTo(&x, v) == nil {
			d.Sigmas = math.Sqrt(mat.Dot(v, &x))
		}
	}
	return d, nil
}

// deviation is the curve for coefficients p at compass heading φ, and its
// derivatives by them.
func deviation(p []float64, heading float64) (dev float64, j [4]float64) {
	s, c := math.Sincos(heading)
	s2, c2 := math.Sincos(2 * heading)
	x := min(0.99, max(-0.99, p[0]*s+p[1]*c))
	k := 1 / math.Sqrt(1-x*x)
	return math.Asin(x) + p[2]*s2 + p[3]*c2, [4]float64{k * s, k * c, s2, c2}
}

// At is what must be added to the compass heading φ (rad) to get the magnetic
// heading, but for the constant A, with its 1 sigma; both rad.
func (d *Deviation) At(headingRad float64) (dev, sigma float64) {
	dev, j := deviation([]float64{d.B, d.C, d.D, d.E}, headingRad)
	for i := range 4 {
		for k := range 4 {
			sigma += j[i] * d.Cov[i][k] * j[k]
		}
	}
	return dev, math.Sqrt(sigma + d.FloorSigma*d.FloorSigma)
}

// HardIron is the field, in µT, forward and to the left of the heading's axis,
// that causes B and C where the horizontal intensity is horizontalUT: what the
// magnetometer's offset lacks.
func (d *Deviation) HardIron(horizontalUT float64) (forwardUT, leftUT float64) {
	return d.B * horizontalUT, -d.C * horizontalUT
}
