package pole

import (
	"fmt"
	"math"

	"plumbstar/astro"
)

// Fix is where the axis points, found from readings of the night sky.
type Fix struct {
	Axis           astro.Direction `json:"axis"`
	AltSigmaDeg    float64         `json:"altitude_sigma_deg"` // 1 sigma
	AzSigmaDeg     float64         `json:"azimuth_sigma_deg"`  // 1 sigma, degrees of azimuth, at most 180
	AltAzCorrelate float64         `json:"altitude_azimuth_correlation"`

	// Against the aim, arcminutes on the night sky: too high and too far east are
	// positive. The fields fit trail.Error.
	HighArcmin      float64 `json:"high_arcmin"`
	EastArcmin      float64 `json:"east_arcmin"`
	HighSigmaArcmin float64 `json:"high_sigma_arcmin"`
	EastSigmaArcmin float64 `json:"east_sigma_arcmin"`
	Correlation     float64 `json:"correlation"`

	ErrorDeg      float64 `json:"error_deg"`
	ErrorSigmaDeg float64 `json:"error_sigma_deg"`
	// The move that cures it: degrees of altitude and of azimuth.
	RaiseDeg    float64 `json:"raise_deg"`
	TurnEastDeg float64 `json:"turn_east_deg"`

	// ChiSquare of the readings used, with so many degrees of freedom.
	ChiSquare float64 `json:"chi_square"`
	Freedom   int     `json:"degrees_of_freedom"`
	// Outliers were left out; each is named.
	Outliers []Outlier `json:"outliers"`
	// Note is empty, or says that the readings disagree beyond their sigmas, which
	// were then enlarged to fit.
	Note string `json:"note"`
}

// Outlier is a reading that contradicts all others.
type Outlier struct {
	Index  int     `json:"index"` // in the list of readings
	Label  string  `json:"label"`
	Sigmas float64 `json:"sigmas"` // by which it is off
}

// Degenerate is the refusal of readings that leave the axis open.
type Degenerate struct {
	Why  string // what is not determined
	Next string // what to observe next
}

func (d *Degenerate) Error() string { return d.Why + ": " + d.Next }

// The levels of the tests on readings: a good set is doubted once in a thousand.
const (
	doubtLevel  = 1e-3
	acceptLevel = 1e-2
	// openSigma is the 1-sigma error of the axis, in radians, beyond which readings
	// do not count as a fix: 1°.
	openSigma = 1 * radPerDeg
)

// run solves the fit, sets outliers aside and turns the result into a Fix. base
// is the direction from which the two axis parameters count, aim what the error
// is taken against. open makes the refusal for the weak direction (up, right).
func (f *fit) run(base sight, aim astro.Direction, labels []string, open func(weak [2]float64, sigma float64) *Degenerate) (Fix, error) {
	var s solution
	var outliers []Outlier
	scale, note := 1.0, ""
	for {
		s = f.solve()
		info, ok := s.axisInfo()
		large, small, weak := eigen(info)
		if !ok || !(small > 1e-9*large) || 1/math.Sqrt(small) > openSigma {
			sigma := math.Inf(1)
			if ok && small > 0 {
				sigma = 1 / math.Sqrt(small)
			}
			if !ok {
				weak = [2]float64{}
			}
			return Fix{}, open(weak, sigma)
		}
		worst, sigmas, verdict := f.doubt(s)
		if verdict == allGood {
			break
		}
		if verdict == unclear {
			if s.freedom > 0 {
				scale = math.Max(1, s.chiSquare/float64(s.freedom))
			}
			note = fmt.Sprintf("the readings disagree by %.1f times their sigmas: repeat them", math.Sqrt(scale))
			break
		}
		f.used[worst] = false
		outliers = append(outliers, Outlier{Index: worst, Label: labels[worst], Sigmas: sigmas})
	}
	fix := s.fix(base, aim, scale)
	fix.Outliers, fix.Note = outliers, note
	if fix.Outliers == nil {
		fix.Outliers = []Outlier{}
	}
	return fix, nil
}

type verdict int

const (
	allGood verdict = iota
	oneBad
	unclear
)

// doubt looks for a reading that the others contradict. It blames one only when
// no other could be blamed instead.
func (f *fit) doubt(s solution) (index int, sigmas float64, v verdict) {
	misfit := f.misfit(s)
	used, worst, second := 0, -1, -1
	for i, m := range misfit {
		if !f.used[i] {
			continue
		}
		used++
		switch {
		case worst < 0 || m > misfit[worst]:
			worst, second = i, worst
		case second < 0 || m > misfit[second]:
			second = i
		}
	}
	if worst < 0 || s.freedom <= 0 {
		return 0, 0, allGood
	}
	size := f.groups[worst].size
	alone := chance(misfit[worst], size) * float64(used)
	if chance(s.chiSquare, s.freedom) >= doubtLevel && alone >= doubtLevel {
		return 0, 0, allGood
	}
	without := func(i int) float64 {
		if i < 0 || misfit[i] < 0 {
			return 0
		}
		return chance(s.chiSquare-misfit[i], s.freedom-f.groups[i].size)
	}
	removable := s.freedom-size > 0
	cured := without(worst) >= acceptLevel && without(second) < acceptLevel
	// With several bad readings no single removal cures; the worst must then stand
	// out by itself.
	standsOut := alone < doubtLevel && (second < 0 || misfit[worst] > 2*misfit[second])
	if removable && (cured || standsOut) {
		return worst, math.Sqrt(misfit[worst]), oneBad
	}
	return 0, 0, unclear
}

// fix turns the solution into a Fix; scale multiplies all variances.
func (s solution) fix(base sight, aim astro.Direction, scale float64) Fix {
	info, _ := s.axisInfo()
	det := info[0][0]*info[1][1] - info[0][1]*info[0][1]
	cov := [2][2]float64{{scale * info[1][1] / det, -scale * info[0][1] / det}, {-scale * info[0][1] / det, scale * info[0][0] / det}}

	axisOf := func(up, right float64) astro.Direction { return astro.DirectionOf(base.at(right, up)) }
	against := tangent(aim)
	east := 1.0
	if hemisphereOf(aim) == astro.South {
		east = -1
	}
	arcs := func(up, right float64) (high, toEast float64) {
		x, y := against.of(base.at(right, up))
		return y, east * x
	}
	up, right := s.p[0], s.p[1]
	fix := Fix{Axis: axisOf(up, right), ChiSquare: s.chiSquare, Freedom: s.freedom}
	const h = 1e-6
	a1, a0 := axisOf(up+h, right), axisOf(up-h, right)
	b1, b0 := axisOf(up, right+h), axisOf(up, right-h)
	// Altitude and azimuth by the two parameters, in degrees per radian.
	altUp, altRight := (a1.AltDeg-a0.AltDeg)/(2*h), (b1.AltDeg-b0.AltDeg)/(2*h)
	azUp, azRight := astro.Turn180(a1.AzDeg-a0.AzDeg)/(2*h), astro.Turn180(b1.AzDeg-b0.AzDeg)/(2*h)
	fix.AltSigmaDeg, fix.AzSigmaDeg, fix.AltAzCorrelate = propagate(cov, altUp, altRight, azUp, azRight)
	fix.AzSigmaDeg = math.Min(fix.AzSigmaDeg, 180)

	const arcmin = 60 / radPerDeg
	high, toEast := arcs(up, right)
	hu1, eu1 := arcs(up+h, right)
	hu0, eu0 := arcs(up-h, right)
	hr1, er1 := arcs(up, right+h)
	hr0, er0 := arcs(up, right-h)
	k := arcmin / (2 * h)
	fix.HighArcmin, fix.EastArcmin = high*arcmin, toEast*arcmin
	fix.HighSigmaArcmin, fix.EastSigmaArcmin, fix.Correlation = propagate(cov, k*(hu1-hu0), k*(hr1-hr0), k*(eu1-eu0), k*(er1-er0))

	size := math.Hypot(fix.HighArcmin, fix.EastArcmin)
	fix.ErrorDeg = size / 60
	uu, ee := fix.HighSigmaArcmin*fix.HighSigmaArcmin, fix.EastSigmaArcmin*fix.EastSigmaArcmin
	fix.ErrorSigmaDeg = math.Sqrt((uu+ee)/2) / 60
	if size > 1e-9 {
		c, d := fix.HighArcmin/size, fix.EastArcmin/size
		fix.ErrorSigmaDeg = math.Sqrt(c*c*uu+d*d*ee+2*c*d*fix.Correlation*fix.HighSigmaArcmin*fix.EastSigmaArcmin) / 60
	}
	fix.RaiseDeg = aim.AltDeg - fix.Axis.AltDeg
	fix.TurnEastDeg = east * astro.Turn180(aim.AzDeg-fix.Axis.AzDeg)
	return fix
}

// propagate gives sigmas and correlation of two quantities with the given
// derivatives by the two parameters.
func propagate(cov [2][2]float64, a0, a1, b0, b1 float64) (sigmaA, sigmaB, correlation float64) {
	aa := a0*a0*cov[0][0] + 2*a0*a1*cov[0][1] + a1*a1*cov[1][1]
	bb := b0*b0*cov[0][0] + 2*b0*b1*cov[0][1] + b1*b1*cov[1][1]
	ab := a0*b0*cov[0][0] + (a0*b1+a1*b0)*cov[0][1] + a1*b1*cov[1][1]
	sigmaA, sigmaB = math.Sqrt(aa), math.Sqrt(bb)
	if sigmaA > 0 && sigmaB > 0 {
		correlation = math.Max(-1, math.Min(1, ab/(sigmaA*sigmaB)))
	}
	return sigmaA, sigmaB, correlation
}
