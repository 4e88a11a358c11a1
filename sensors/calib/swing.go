package calib

import (
	"fmt"
	"math"
	"sort"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbstar/sensors"
)

// SwingOptions steer FitSwing; zero values take the defaults.
type SwingOptions struct {
	Turn TurnOptions
	// Forward is the direction, in sensor axes, whose heading is meant; +x. Any
	// direction that is not vertical gives the same correction.
	Forward r3.Vec
	// GyroBias is the rate at rest, rad/s.
	GyroBias r3.Vec
	// BodyIronUT is the field, 1 sigma per axis, of iron that turns with the
	// board and that the calibration in use does not know: 0.6 µT.
	BodyIronUT float64
	// HardIronSigmaUT and SoftIronSigma replace it when the turn contradicts the
	// calibration: 5 µT and 0.01, as in InPlaceOptions.
	HardIronSigmaUT, SoftIronSigma float64
	// StrengthUT and DipRad of the site's field; without them those measured
	// during the turn are taken.
	StrengthUT, DipRad float64
}

// SwingFit is a turn check made into a correction.
type SwingFit struct {
	// Affine is the calibration in use, corrected by what the turn showed. Its
	// covariance is smaller along the directions that the turn saw, and wider
	// by BodyIronUT along those that it did not.
	Affine    Affine
	Deviation Deviation
	// OffsetUT is how far the offset moved, in sensor axes.
	OffsetUT r3.Vec
	// Changed is true when the turn contradicted the calibration (chance below
	// one in a thousand): iron near the chip is not what it was.
	Changed bool
	// HeldBackBefore and HeldBackAfter: compass against gyroscope in a part held
	// back, rad root mean square, with the calibration in use and with one
	// corrected by the rest of the turn.
	HeldBackBefore, HeldBackAfter float64
	// HeadingSigmaBefore and HeadingSigmaAfter, rad: what the calibration leaves
	// to headings at this tilt, root mean square over all of them, BodyIronUT
	// included before.
	HeadingSigmaBefore, HeadingSigmaAfter float64
}

const swingAdvice = "turn the mount slowly and evenly about the vertical, a whole turn if it can, and keep steel and cables in place"

func swingRefusal(reason string) *Refusal {
	return &Refusal{What: "turn check", Reason: reason, Advice: swingAdvice}
}

// FitSwing corrects a magnetometer calibration by a turn of the mount about the
// vertical: compass against gyroscope (CheckTurn) gives the deviation curve, and
// its four coefficients are linear functions of the calibration's errors, so
// they correct it by the Kalman update (Gelb, "Applied Optimal Estimation", 1974,
// 4.2). With ε the error of the corrected field, F and L the horizontal forward
// and left, H and Z the horizontal and downward intensity,
//
//	B = F·ε(−Z up)/H, C = −L·ε(−Z up)/H,
//	D = (F·S F − L·S L)/2, E = −(F·S L + L·S F)/2, S = ∂ε/∂field,
//
// which follows from deviation = (sin φ F·ε − cos φ L·ε)/H to first order. The
// vertical part of the offset, and what turns all headings alike (A), are not
// seen and stay as unsure as they were.
//
// magnetic holds raw samples in axes aligned with those of inertial; inertial
// the corrected specific force and the rates as read. A *Refusal is returned when
// the turn is too short, there is no gyroscope, or the result fits a part held
// back worse than the calibration in use.
func FitSwing(prev Affine, magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, opt SwingOptions) (SwingFit, error) {
	for v, d := range map[*float64]float64{&opt.BodyIronUT: 0.6, &opt.HardIronSigmaUT: 5, &opt.SoftIronSigma: 0.01} {
		if *v <= 0 {
			*v = d
		}
	}
	if opt.Forward == (r3.Vec{}) {
		opt.Forward = r3.Vec{X: 1}
	}
	nodes, err := swingNodes(magnetic, inertial, &opt)
	if err != nil {
		return SwingFit{}, err
	}
	fit, err := fitSwing(prev, nodes, &opt)
	if err != nil {
		return SwingFit{}, err
	}
	before, after, err := heldBackSwing(prev, nodes, &opt)
	if err != nil {
		return SwingFit{}, err
	}
	fit.HeldBackBefore, fit.HeldBackAfter = before, after
	return fit, nil
}

// swingNode is one raw field with up and the heading by gyroscope.
type swingNode struct {
	at   time.Duration
	raw  r3.Vec
	up   r3.Vec // unit length
	gyro float64
}

// upWindow is over what up is averaged: longer than a hand's tremor, short
// against the turn.
const upWindow = 400 * time.Millisecond

func swingNodes(magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, o *SwingOptions) ([]swingNode, error) {
	inertial = finiteOnly(inertial)
	if len(inertial) < 20 || !hasGyro(inertial) {
		return nil, swingRefusal(fmt.Sprintf("%d samples of a gyroscope, which the turn is measured with", len(inertial)))
	}
	t := newTrack(inertial, o.GyroBias, 100*time.Millisecond, 0)
	clockwise := make([]float64, len(inertial))
	for i := 1; i < len(inertial); i++ {
		phi := r3.Sub(t.turned[i], t.turned[i-1])
		clockwise[i] = clockwise[i-1] - r3.Dot(phi, r3.Unit(inertial[i].Accel))
	}
	var nodes []swingNode
	broken := false
	for i := range magnetic {
		m := &magnetic[i]
		if !finite(m.FieldUT) || m.Flags.Has(sensors.Clipped) || m.Flags.Has(sensors.Repeated) {
			continue
		}
		k := sort.Search(len(inertial), func(k int) bool { return inertial[k].At >= m.At })
		if k == 0 || k == len(inertial) || inertial[k].At-inertial[k-1].At > 100*time.Millisecond {
			continue
		}
		lo := sort.Search(len(inertial), func(k int) bool { return inertial[k].At >= m.At-upWindow/2 })
		hi := sort.Search(len(inertial), func(k int) bool { return inertial[k].At > m.At+upWindow/2 })
		if t.broken[hi-1] > t.broken[lo] {
			broken = true
			continue
		}
		up := t.stable(lo, k, hi)
		w := float64(m.At-inertial[k-1].At) / float64(inertial[k].At-inertial[k-1].At)
		nodes = append(nodes, swingNode{at: m.At, raw: m.FieldUT, up: r3.Unit(up), gyro: clockwise[k-1] + w*(clockwise[k]-clockwise[k-1])})
	}
	if broken || (len(nodes) > 0 && t.broken[len(t.broken)-1] > 0) {
		return nil, swingRefusal("the gyroscope was at the end of its range or missed samples")
	}
	return nodes, nil
}

// readings are heading by compass and gyroscope with a calibration.
func swingReadings(a *Affine, nodes []swingNode, forward r3.Vec) []TurnReading {
	out := make([]TurnReading, 0, len(nodes))
	for i := range nodes {
		n := &nodes[i]
		f, l, ok := level(forward, n.up)
		if !ok {
			continue
		}
		v := a.Apply(n.raw, math.NaN())
		out = append(out, TurnReading{At: n.at, CompassRad: math.Atan2(r3.Dot(v, l), r3.Dot(v, f)), GyroRad: n.gyro})
	}
	return out
}

// level gives the horizontal forward and left; false when forward is upright.
func level(forward, up r3.Vec) (f, l r3.Vec, ok bool) {
	f = r3.Sub(forward, r3.Scale(r3.Dot(forward, up), up))
	n := r3.Norm(f)
	if n < 0.02*r3.Norm(forward) {
		return f, l, false
	}
	f = r3.Scale(1/n, f)
	return f, r3.Cross(up, f), true
}

// swingFrame is the mean horizontal frame of a turn and the field in it.
type swingFrame struct {
	f, l, up   r3.Vec
	horizontal float64 // µT
	down       float64 // µT
}

func frameOf(a *Affine, nodes []swingNode, o *SwingOptions) (swingFrame, error) {
	var s swingFrame
	for i := range nodes {
		s.up = r3.Add(s.up, nodes[i].up)
	}
	spread := 1 - r3.Norm(s.up)/float64(len(nodes))
	if spread > 0.02 { // 11° root mean square
		return s, swingRefusal("the mount was tilted as well as turned")
	}
	s.up = r3.Unit(s.up)
	var ok bool
	if s.f, s.l, ok = level(o.Forward, s.up); !ok {
		return s, swingRefusal("the forward axis points straight up")
	}
	if o.StrengthUT > 0 {
		sin, cos := math.Sincos(o.DipRad)
		s.horizontal, s.down = o.StrengthUT*cos, o.StrengthUT*sin
	} else {
		for i := range nodes {
			v := a.Apply(nodes[i].raw, math.NaN())
			z := r3.Dot(v, nodes[i].up)
			s.horizontal += r3.Norm(r3.Sub(v, r3.Scale(z, nodes[i].up))) / float64(len(nodes))
			s.down -= z / float64(len(nodes))
		}
	}
	if !(s.horizontal > 1) {
		return s, swingRefusal(fmt.Sprintf("the horizontal field is only %.1f µT", s.horizontal))
	}
	return s, nil
}

// rows are the derivatives of B, C, D, E by the twelve coefficients of a.
func (s *swingFrame) rows(a *Affine) [4][12]float64 {
	var h [4][12]float64
	j := a.jacobian(r3.Scale(-s.down, s.up))
	inv := a.Matrix.inverse()
	wf, wl := inv.Apply(s.f), inv.Apply(s.l)
	f, l := [3]float64{s.f.X, s.f.Y, s.f.Z}, [3]float64{s.l.X, s.l.Y, s.l.Z}
	uf, ul := [3]float64{wf.X, wf.Y, wf.Z}, [3]float64{wl.X, wl.Y, wl.Z}
	for r := range 3 {
		for k := range 12 {
			h[0][k] += f[r] * j[r][k] / s.horizontal
			h[1][k] -= l[r] * j[r][k] / s.horizontal
		}
		for c := range 3 {
			h[2][3+3*r+c] = (f[r]*uf[c] - l[r]*ul[c]) / 2
			h[3][3+3*r+c] = -(f[r]*ul[c] + l[r]*uf[c]) / 2
		}
	}
	return h
}

func fitSwing(prev Affine, nodes []swingNode, o *SwingOptions) (SwingFit, error) {
	if len(nodes) == 0 {
		return SwingFit{}, swingRefusal("no usable samples of the magnetometer")
	}
	s, err := frameOf(&prev, nodes, o)
	if err != nil {
		return SwingFit{}, err
	}
	turn := o.Turn.withDefaults()
	d, err := CheckTurn(swingReadings(&prev, nodes, o.Forward), turn)
	if err != nil {
		return SwingFit{}, err
	}
	seen, err := whitened(&d, &turn)
	if err != nil {
		return SwingFit{}, err
	}
	fit := SwingFit{Deviation: d}
	rows := s.rows(&prev)
	before := widened(prev, o.BodyIronUT, 0)
	after, chi2 := before.updated(rows, seen)
	if len(seen) > 0 && chi2 > (distuv.ChiSquared{K: float64(len(seen))}).Quantile(0.999) {
		fit.Changed = true
		after, _ = widened(prev, o.HardIronSigmaUT, o.SoftIronSigma).updated(rows, seen)
	}
	fit.Affine, fit.OffsetUT = after, r3.Sub(after.Offset, prev.Offset)
	fit.HeadingSigmaBefore, fit.HeadingSigmaAfter = s.headingSigma(&before), s.headingSigma(&after)
	return fit, nil
}

// headingSigma is the root mean square over all headings at the frame's tilt.
func (s *swingFrame) headingSigma(a *Affine) float64 {
	const steps = 24
	var sum float64
	for k := range steps {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / steps)
		v := r3.Add(r3.Scale(s.horizontal*cos, s.f), r3.Add(r3.Scale(s.horizontal*sin, s.l), r3.Scale(-s.down, s.up)))
		h := a.HeadingSigma(v, s.up, math.NaN())
		sum += h * h / steps
	}
	return math.Sqrt(sum)
}

// heldBackSwing corrects by seven tenths of the turn and compares compass and
// gyroscope in the other three.
func heldBackSwing(prev Affine, nodes []swingNode, o *SwingOptions) (before, after float64, err error) {
	var train, test []swingNode
	for i, n := range nodes {
		switch i * 10 / len(nodes) {
		case 2, 5, 8:
			test = append(test, n)
		default:
			train = append(train, n)
		}
	}
	part := *o
	part.Turn.MinArcRad = 1e-3 // the whole was long enough
	fit, err := fitSwing(prev, train, &part)
	if err != nil {
		return 0, 0, err
	}
	before = apart(swingReadings(&prev, test, o.Forward))
	after = apart(swingReadings(&fit.Affine, test, o.Forward))
	if floor := o.Turn.withDefaults().FloorSigma; after > 1.05*before && after > floor {
		return before, after, swingRefusal(fmt.Sprintf("a part held back fits worse than before: compass and gyroscope differ by %.2f° instead of %.2f°", deg(after), deg(before)))
	}
	return before, after, nil
}

// apart is the scatter of compass minus gyroscope, rad, about a straight line:
// the gyroscope has neither a zero nor an exact scale.
func apart(readings []TurnReading) float64 {
	if len(readings) < 3 {
		return 0
	}
	zero := readings[0].CompassRad - readings[0].GyroRad
	x, y := make([]float64, len(readings)), make([]float64, len(readings))
	for i, r := range readings {
		x[i], y[i] = r.GyroRad, math.Remainder(r.CompassRad-r.GyroRad-zero, 2*math.Pi)
	}
	alpha, beta := stat.LinearRegression(x, y, nil, false)
	var s2 float64
	for i := range x {
		d := y[i] - alpha - beta*x[i]
		s2 += d * d
	}
	return math.Sqrt(s2 / float64(len(x)))
}
