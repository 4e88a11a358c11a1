package daemon

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors/calib"
)

// Bounds of what is kept. They are far beyond what any chip of the data sheets
// needs: only what was damaged or edited by hand lies outside.
const (
	coldestC, warmestC = -100.0, 150.0 // chip temperature

	accelOffsetMS2  = 10.0  // the worst data sheet allows 0.8
	accelStretch    = 2.0   // scale of any direction, and its inverse; data sheets: a few percent
	accelPerC       = 0.5   // m/s² per °C; data sheets: at most 0.05
	gyroPerC        = 0.1   // rad/s per °C
	fieldOffsetUT   = 5000  // the widest range of a chip
	fieldStretch    = 10.0  // soft iron included
	turnOffsetUT    = 1000  // beyond that no compass shows a direction
	turnVarianceUT2 = 1e6   //
	unitSlack       = 0.01  // of the length of a direction
	squareSlack     = 1e-3  // of a rotation's rows
	longestText     = 200   // of a name
	widestSigmaDeg  = 360.0 // of any direction
)

func within(v, most float64) bool { return math.Abs(v) <= most } // false for NaN

// Check refuses a record that no calibration can have left: a value outside any
// sensor's range, a sigma of zero where there is always doubt, a direction without
// length, a part without its coefficients. The error says which.
func (r *CalibrationRecord) Check() error {
	if r.Damaged != "" {
		return fmt.Errorf("%s", r.Damaged)
	}
	if !(r.SigmaDeg >= 0 && r.SigmaDeg <= widestSigmaDeg) {
		return fmt.Errorf("sigma_deg %v is not from 0 to %v", r.SigmaDeg, widestSigmaDeg)
	}
	if r.TempC != nil && !(*r.TempC >= coldestC && *r.TempC <= warmestC) {
		return fmt.Errorf("temp_c %v is no temperature of a chip", *r.TempC)
	}
	if r.Site != nil {
		if err := r.Site.Validate(); err != nil {
			return fmt.Errorf("site: %w", err)
		}
	}
	switch r.Part {
	case PartAccelerometer:
		return checkAffine(r.Affine, calib.Accelerometer)
	case PartCompass:
		return either(checkAffine(r.Affine, calib.Magnetometer), checkChips(r.Chips))
	case PartCompass2:
		return either(checkAffine(r.Affine, calib.Magnetometer), checkChips(r.Chips))
	case PartAccelerometer2:
		return either(checkAffine(r.Affine, calib.Accelerometer), checkChips(r.Chips))
	case PartAxis:
		return r.Axis.check()
	case PartTurnCheck:
		return r.Turn.check()
	case PartTemperature:
		return r.Temperature.check()
	}
	return fmt.Errorf("part %.40q is not known", r.Part)
}

func either(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func checkAffine(a *calib.Affine, kind calib.Kind) error {
	if a == nil {
		return fmt.Errorf("the correction is missing")
	}
	if err := a.Check(); err != nil {
		return err
	}
	if a.Kind != kind {
		return fmt.Errorf("the correction is that of a %s", a.Kind)
	}
	offset, stretch, unit := accelOffsetMS2, accelStretch, "m/s²"
	if kind == calib.Magnetometer {
		offset, stretch, unit = fieldOffsetUT, fieldStretch, "µT"
	}
	for _, v := range components(a.Offset) {
		if !within(v, offset) {
			return fmt.Errorf("an offset of %.4g %s is beyond ±%.4g", v, unit, offset)
		}
	}
	for _, v := range slices.Concat(vector(a.TempSlope), vector(a.TempSlopeSigma)) {
		if kind == calib.Accelerometer && !within(v, accelPerC) {
			return fmt.Errorf("a change of %.4g m/s² per °C is beyond ±%v", v, accelPerC)
		}
	}
	if !math.IsNaN(a.RefTempC) && !(a.RefTempC >= coldestC && a.RefTempC <= warmestC) {
		return fmt.Errorf("reference_c %v is no temperature of a chip", a.RefTempC)
	}
	least, most, ok := a.Matrix.Stretch()
	if !ok {
		return fmt.Errorf("the matrix is no correction")
	}
	if most > stretch || least < 1/stretch {
		return fmt.Errorf("the matrix scales by %.3g to %.3g, not %.3g to %.3g", least, most, 1/stretch, stretch)
	}
	for i := range a.Cov {
		if !(a.Cov[i][i] > 0) {
			return fmt.Errorf("coefficient %d has no uncertainty: every fit leaves one", i+1)
		}
	}
	return nil
}

func vector(v r3.Vec) []float64 { return []float64{v.X, v.Y, v.Z} }

// checkChips accepts rotations alone.
func checkChips(m *Mount) error {
	if m == nil {
		return fmt.Errorf("how the chips sit is missing")
	}
	square := within(r3.Dot(r3.Cross(m[0], m[1]), m[2])-1, squareSlack)
	for i := range 3 {
		square = square && within(r3.Norm2(m[i])-1, squareSlack) && within(r3.Dot(m[i], m[(i+1)%3]), squareSlack)
	}
	if !square {
		return fmt.Errorf("how the chips sit is no rotation")
	}
	return nil
}

func unit(v r3.Vec) bool { return within(r3.Norm(v)-1, unitSlack) }

func (a *AxisRecord) check() error {
	switch {
	case a == nil:
		return fmt.Errorf("the axis is missing")
	case !unit(a.Direction):
		return fmt.Errorf("the axis has length %.4g, not 1", r3.Norm(a.Direction))
	case !(a.SigmaDeg > 0 && a.SigmaDeg < 10):
		return fmt.Errorf("sigma_deg of the axis %v is not above 0 and below 10", a.SigmaDeg)
	}
	return nil
}

func (t *TurnRecord) check() error {
	if t == nil {
		return fmt.Errorf("the turn check is missing")
	}
	if !unit(t.Up) {
		return fmt.Errorf("its direction up has length %.4g, not 1", r3.Norm(t.Up))
	}
	if n := r3.Norm(t.OffsetUT); !within(n, turnOffsetUT) {
		return fmt.Errorf("an offset of %.4g µT is beyond %v", n, turnOffsetUT)
	}
	c := &t.LeftUT2
	trace := c[0][0] + c[1][1] + c[2][2]
	if !(trace > 0 && trace <= turnVarianceUT2) {
		return fmt.Errorf("its variances are together %.4g µT², not above 0 and up to %.4g", trace, turnVarianceUT2)
	}
	s := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			if !within(c[i][j]-c[j][i], 1e-9*trace) {
				return fmt.Errorf("its covariance is not symmetric")
			}
			s.SetSym(i, j, c[i][j])
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(s, false) || eig.Values(nil)[0] < -1e-6*trace {
		return fmt.Errorf("its covariance is negative in some direction")
	}
	return nil
}

func (t *TemperatureRecord) check() error {
	if t == nil {
		return fmt.Errorf("the coefficients are missing")
	}
	if !unit(t.Up) {
		return fmt.Errorf("its direction up has length %.4g, not 1", r3.Norm(t.Up))
	}
	if !(t.MinC >= coldestC && t.MinC < t.MaxC && t.MaxC <= warmestC) {
		return fmt.Errorf("it was learned from %v to %v °C: that is no range of a chip", t.MinC, t.MaxC)
	}
	if err := checkPerC("m/s²", t.AccelPerC, t.AccelSigma, accelPerC); err != nil {
		return err
	}
	if err := checkPerC("m/s²", t.AccelPerC, t.AccelNext, accelPerC); err != nil {
		return err
	}
	if (t.GyroPerC == nil) != (t.GyroSigma == nil) {
		return fmt.Errorf("the gyroscope's coefficients or their sigmas are missing")
	}
	if t.GyroPerC != nil {
		return checkPerC("rad/s", *t.GyroPerC, *t.GyroSigma, gyroPerC)
	}
	return nil
}

func checkPerC(unit string, value, sigma r3.Vec, most float64) error {
	v, s := components(value), components(sigma)
	for k := range 3 {
		if !within(v[k], most) || !(s[k] > 0 && s[k] <= most) {
			return fmt.Errorf("a coefficient of %.4g ± %.4g %s per °C is not within ±%v with a sigma above 0", v[k], s[k], unit, most)
		}
	}
	return nil
}

// check refuses what no sighting says. Old sightings correct nothing, but are shown.
func (r *SightingRecord) check() error {
	for _, a := range []*Angle{r.Altitude, r.Azimuth, r.WasAltitude, r.WasAzimuth} {
		if a != nil && !(within(a.Deg, 360) && a.SigmaDeg >= 0 && a.SigmaDeg <= widestSigmaDeg) {
			return fmt.Errorf("%v ± %v° is no direction", a.Deg, a.SigmaDeg)
		}
	}
	if !(r.SigmaDeg >= 0 && r.SigmaDeg <= widestSigmaDeg) {
		return fmt.Errorf("sight_sigma_deg %v is not from 0 to %v", r.SigmaDeg, widestSigmaDeg)
	}
	if r.TempC != nil && !(*r.TempC >= coldestC && *r.TempC <= warmestC) {
		return fmt.Errorf("temp_c %v is no temperature of a chip", *r.TempC)
	}
	if r.Site != nil {
		return r.Site.Validate()
	}
	return nil
}

// check refuses an armed watch that nobody armed so.
func (k *keptWatch) check() error {
	switch {
	case len(k.Lens) > longestText || !(k.ExposureS >= 0 && k.ExposureS <= 86400):
		return fmt.Errorf("lens %.40q with %v s is no picture", k.Lens, k.ExposureS)
	case k.Tilt != nil && !within(*k.Tilt, 90):
		return fmt.Errorf("tilt_deg %v is no altitude", *k.Tilt)
	case k.Known && !(within(k.Up, 180) && within(k.East, 360) && k.UpSigma > 0 && k.UpSigma <= widestSigmaDeg && k.EastSigma > 0 && k.EastSigma <= widestSigmaDeg):
		return fmt.Errorf("an alignment of %v ± %v° and %v ± %v° is none", k.Up, k.UpSigma, k.East, k.EastSigma)
	}
	return nil
}

// damage is what was kept and cannot be used, by its name, until it is replaced.
type damage map[string]estimator.Warning

func (d *Daemon) noteDamage(name, text string) {
	if d.damaged == nil {
		d.damaged = damage{}
	}
	if d.damaged[name].Text == text {
		return
	}
	d.damaged[name] = estimator.Warning{Code: "kept-damaged", Text: text}
	d.log.Warn("damaged", "what", text)
}

func (d *Daemon) noteDamagedCalibration(r *CalibrationRecord) {
	d.noteDamage(string(r.Part), fmt.Sprintf("The kept calibration of the %s (%s) is damaged, and neither it nor an older one is used: %s. Calibrate again.",
		r.Part, r.Time.UTC().Format(time.DateOnly), r.Damaged))
}

func (d *Daemon) damageWarnings() []estimator.Warning {
	var out []estimator.Warning
	for _, name := range slices.Sorted(maps.Keys(d.damaged)) {
		out = append(out, d.damaged[name])
	}
	return out
}
