package calib

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// swingDirection is one combination of B, C, D, E that the turn measured: value and
// 1 / variance.
type swingDirection struct {
	weights [4]float64
	value   float64
	weight  float64
}

// whitened takes the prior of CheckTurn out of its answer and leaves the
// independent combinations that the data themselves measured.
func whitened(d *Deviation, o *TurnOptions) ([]swingDirection, error) {
	cov := mat.NewSymDense(4, nil)
	for i := range 4 {
		for k := i; k < 4; k++ {
			cov.SetSym(i, k, d.Cov[i][k])
		}
	}
	var ch mat.Cholesky
	var info mat.SymDense
	if !ch.Factorize(cov) || ch.InverseTo(&info) != nil {
		return nil, swingRefusal("the turn shows no curve")
	}
	x := [4]float64{d.B, d.C, d.D, d.E}
	var y [4]float64 // Cov⁻¹ x = R⁻¹ z
	for i := range 4 {
		for k := range 4 {
			y[i] += info.At(i, k) * x[k]
		}
	}
	for i, sd := range [4]float64{o.SemicircularSigma, o.SemicircularSigma, o.QuadrantalSigma, o.QuadrantalSigma} {
		info.SetSym(i, i, info.At(i, i)-1/(sd*sd))
	}
	var eig mat.EigenSym
	if !eig.Factorize(&info, true) {
		return nil, swingRefusal("the turn shows no curve")
	}
	var vec mat.Dense
	eig.VectorsTo(&vec)
	var out []swingDirection
	for k, v := range eig.Values(nil) {
		if v < 1e-3/(o.SemicircularSigma*o.SemicircularSigma) {
			continue // the data say nothing of it
		}
		var s swingDirection
		for i := range 4 {
			s.weights[i] = vec.At(i, k)
			s.value += vec.At(i, k) * y[i] / v
		}
		s.weight = v
		out = append(out, s)
	}
	return out, nil
}

// widened adds what may have changed: hard iron in µT of the corrected field,
// soft iron per matrix entry; 1 sigma each.
func widened(a Affine, hardUT, soft float64) Affine {
	// d(corrected) = −M dOffset: dOffset = M⁻¹ of the field.
	inv := a.Matrix.inverse()
	for i := range 3 {
		for k := range 3 {
			var s float64
			for c := range 3 {
				s += inv[3*i+c] * inv[3*k+c]
			}
			a.Cov[i][k] += hardUT * hardUT * s
		}
	}
	for i := 3; i < 12; i++ {
		a.Cov[i][i] += soft * soft
	}
	return a
}

// updated is the Kalman update of coefficients by measured combinations of
// their errors (used minus true), and the chi-square of the surprise.
func (a Affine) updated(rows [4][12]float64, seen []swingDirection) (Affine, float64) {
	var dp [12]float64 // estimated error
	var chi2 float64
	for _, m := range seen {
		var h, ph [12]float64
		for i, w := range m.weights {
			for k := range 12 {
				h[k] += w * rows[i][k]
			}
		}
		var s, predicted float64
		for i := range 12 {
			for k := range 12 {
				ph[i] += a.Cov[i][k] * h[k]
			}
			s += h[i] * ph[i]
			predicted += h[i] * dp[i]
		}
		s += 1 / m.weight
		surprise := m.value - predicted
		chi2 += surprise * surprise / s
		for i := range 12 {
			dp[i] += ph[i] * surprise / s
			for k := range 12 {
				a.Cov[i][k] -= ph[i] * ph[k] / s
			}
		}
	}
	a.Offset = r3.Sub(a.Offset, r3.Vec{X: dp[0], Y: dp[1], Z: dp[2]})
	for i := range a.Matrix {
		a.Matrix[i] -= dp[3+i]
	}
	return a, chi2
}
