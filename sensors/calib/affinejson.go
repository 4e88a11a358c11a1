package calib

import (
	"encoding/json"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// affineJSON is the stored form. The unit of an accelerometer's values is m/s²,
// of a magnetometer's µT; covariance entries have the products of the units of
// the coefficients, in the order offset x, y, z, matrix row by row.
type affineJSON struct {
	Kind          Kind          `json:"kind"`
	OffsetMS2     *[3]float64   `json:"offset_m_s2,omitempty"`
	OffsetUT      *[3]float64   `json:"offset_uT,omitempty"`
	Matrix        [3][3]float64 `json:"matrix"`
	Covariance    Cov12         `json:"covariance"`
	SlopeMS2      *[3]float64   `json:"temperature_slope_m_s2_per_c,omitempty"`
	SlopeSigmaMS2 *[3]float64   `json:"temperature_slope_sigma_m_s2_per_c,omitempty"`
	SlopeUT       *[3]float64   `json:"temperature_slope_uT_per_c,omitempty"`
	SlopeSigmaUT  *[3]float64   `json:"temperature_slope_sigma_uT_per_c,omitempty"`
	ReferenceC    *float64      `json:"reference_c"` // null: not known
	ResidualMS2   *float64      `json:"residual_rms_m_s2,omitempty"`
	ResidualUT    *float64      `json:"residual_rms_uT,omitempty"`
	Readings      int           `json:"readings"`
}

func triple(v r3.Vec) *[3]float64 { return &[3]float64{v.X, v.Y, v.Z} }

func untriple(v *[3]float64) r3.Vec {
	if v == nil {
		return r3.Vec{}
	}
	return r3.Vec{X: v[0], Y: v[1], Z: v[2]}
}

// MarshalJSON writes the coefficients with their units in the keys.
func (a Affine) MarshalJSON() ([]byte, error) {
	j := affineJSON{Kind: a.Kind, Covariance: a.Cov, Readings: a.Readings}
	for i := range 3 {
		copy(j.Matrix[i][:], a.Matrix[3*i:])
	}
	if a.RefTempC == a.RefTempC {
		j.ReferenceC = &a.RefTempC
	}
	switch a.Kind {
	case Accelerometer:
		j.OffsetMS2, j.SlopeMS2, j.SlopeSigmaMS2, j.ResidualMS2 = triple(a.Offset), triple(a.TempSlope), triple(a.TempSlopeSigma), &a.ResidualRMS
	case Magnetometer:
		j.OffsetUT, j.SlopeUT, j.SlopeSigmaUT, j.ResidualUT = triple(a.Offset), triple(a.TempSlope), triple(a.TempSlopeSigma), &a.ResidualRMS
	default:
		return nil, fmt.Errorf("calibration of kind %q: only %q and %q can be stored", a.Kind, Accelerometer, Magnetometer)
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON wrote and refuses coefficients that no
// fit can have given.
func (a *Affine) UnmarshalJSON(b []byte) error {
	var j affineJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return fmt.Errorf("calibration: %w", err)
	}
	n := Affine{Kind: j.Kind, Cov: j.Covariance, RefTempC: math.NaN(), Readings: j.Readings}
	for i := range 3 {
		copy(n.Matrix[3*i:], j.Matrix[i][:])
	}
	if j.ReferenceC != nil {
		n.RefTempC = *j.ReferenceC
	}
	offset, slope, slopeSigma, residual, key := j.OffsetMS2, j.SlopeMS2, j.SlopeSigmaMS2, j.ResidualMS2, "offset_m_s2"
	if j.Kind == Magnetometer {
		offset, slope, slopeSigma, residual, key = j.OffsetUT, j.SlopeUT, j.SlopeSigmaUT, j.ResidualUT, "offset_uT"
	}
	if offset == nil {
		return fmt.Errorf("calibration of kind %q: %s is missing", j.Kind, key)
	}
	n.Offset, n.TempSlope, n.TempSlopeSigma = untriple(offset), untriple(slope), untriple(slopeSigma)
	if residual != nil {
		n.ResidualRMS = *residual
	}
	if err := n.Check(); err != nil {
		return err
	}
	*a = n
	return nil
}

// Check refuses coefficients that cannot be right: not finite, a matrix that
// mirrors, flattens or stretches one axis tenfold, a covariance that is not
// symmetric or has a negative variance in some direction.
func (a *Affine) Check() error {
	wrong := func(what string) error {
		return fmt.Errorf("calibration of kind %q: %s: the stored calibration is damaged, calibrate again", a.Kind, what)
	}
	if a.Kind != Accelerometer && a.Kind != Magnetometer {
		return wrong(fmt.Sprintf("the kind is neither %q nor %q", Accelerometer, Magnetometer))
	}
	sum := a.ResidualRMS
	for _, v := range []r3.Vec{a.Offset, a.TempSlope, a.TempSlopeSigma} {
		sum += v.X + v.Y + v.Z
	}
	for _, v := range a.Matrix {
		sum += v
	}
	for i := range a.Cov {
		for _, v := range a.Cov[i] {
			sum += v
		}
	}
	if math.IsNaN(sum) || math.IsInf(sum, 0) || math.IsInf(a.RefTempC, 0) {
		return wrong("a value is not finite")
	}
	for _, v := range a.Matrix {
		if math.Abs(v) > 100 {
			return wrong("a matrix entry beyond 100")
		}
	}
	for i := range a.Cov {
		if a.Cov[i][i] > 1e12 {
			return wrong("a variance beyond 1e12")
		}
	}
	if a.ResidualRMS < 0 || a.Readings < 0 || a.TempSlopeSigma.X < 0 || a.TempSlopeSigma.Y < 0 || a.TempSlopeSigma.Z < 0 {
		return wrong("a negative value where none can be")
	}
	least, most, ok := a.Matrix.Stretch()
	if !ok {
		return wrong("the matrix is not a correction")
	}
	if most > 10*least {
		return wrong("the matrix stretches one axis more than ten times another")
	}
	return a.checkCov(wrong)
}

func (a *Affine) checkCov(wrong func(string) error) error {
	// Scaled to correlations, so that units do not matter.
	c := mat.NewSymDense(12, nil)
	for i := range 12 {
		for j := i; j < 12; j++ {
			d := math.Sqrt(a.Cov[i][i] * a.Cov[j][j])
			if a.Cov[i][i] < 0 || math.Abs(a.Cov[i][j]-a.Cov[j][i]) > 1e-9*d || (d == 0 && a.Cov[i][j] != 0) {
				return wrong("the covariance is not symmetric or has a negative variance")
			}
			if d > 0 {
				c.SetSym(i, j, a.Cov[i][j]/d)
			}
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(c, false) || eig.Values(nil)[0] < -1e-6 {
		return wrong("the covariance is negative in some direction")
	}
	return nil
}
