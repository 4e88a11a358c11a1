package estimator

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Ages of the newest sample that end trust in it.
const (
	StaleAfter = 500 * time.Millisecond
	LostAfter  = 3 * time.Second
	// compassGone is sooner: an azimuth without compass is a guess at once.
	compassGone = time.Second
)

// Conditions of Steady: white noise of the altitude, and the share of the
// azimuth's sigma that noise may still be.
const (
	steadyAltitudeDeg  = 0.02
	steadyAzimuthShare = 0.25
	steadyAfter        = time.Second
)

// Estimator joins the attitude filter (while the mount moves) and the rest
// average (while it stands) and states the uncertainty of both. It is not safe
// for concurrent use.
type Estimator struct {
	opt    Options
	filter *Filter
	rest   rest

	expected *Field
	noField  string // why expected is nil

	at, magAt    time.Duration
	have, haveM  bool
	tempC        float64
	base         pose0
	disturb      disturbance
	clippedUntil time.Duration
	refused      uint64
	anchors      [2]anchor
	hold         hold
	measured     measurement
}

// pose0 is the rest that a movement started from.
type pose0 struct {
	ok        bool
	up, field r3.Vec // in body axes at that time
	haveField bool
	attitude  quat.Number // of the filter at that time
	at        time.Duration
	carrier   carrier
	// extraDeg is the doubt of a heading that this rest had only carried on,
	// since then; 0: measured. agreed counts rests in a row that agreed.
	extraDeg float64
	since    time.Duration
	agreed   int
	rival    rival
}

// New makes an estimator; call SetField when site and date are known.
func New(o Options) *Estimator {
	e := &Estimator{opt: o, tempC: math.NaN(), noField: "site not known", anchors: noAnchors()}
	e.filter = NewFilter(filterOptions(o))
	e.rest.setNoise(o.Inertial.AccelNoise, o.Inertial.GyroNoise, o.Inertial.HasGyro)
	e.rest.fieldNoise = o.Magnetic.NoiseUT
	return e
}

// SetField tells what the field model expects; with nil, why says what is
// missing and azimuth is not given.
func (e *Estimator) SetField(f *Field, why string) {
	e.expected, e.noField = f, why
	if f != nil {
		e.filter.SetField(*f)
	}
}

// SetMagnetic tells which magnetometer was found.
func (e *Estimator) SetMagnetic(s sensors.MagneticSpec) {
	e.opt.Magnetic = s
	e.rest.fieldNoise = s.NoiseUT
}

// Refused counts samples that were not finite, older than the one before, or the
// same bits too often in a row.
func (e *Estimator) Refused() uint64 { return e.refused }

// Inertial takes one corrected sample in body axes.
func (e *Estimator) Inertial(s sensors.InertialSample) {
	if !finite(s.Accel) || !finite(s.Gyro) || (e.have && s.At < e.at) || s.Flags.Has(sensors.Repeated) {
		e.refused++
		return
	}
	if e.have && s.At-e.at > StaleAfter {
		// A gap: the mount may have been moved meanwhile.
		e.rest.restart(s.At, false)
		e.rest.started = false
		e.rest.lastOK = false
		e.base.ok = false
		e.hold = hold{}
	}
	e.at, e.have, e.tempC = s.At, true, s.TempC
	if s.Flags.Has(sensors.Clipped) {
		e.clippedUntil = s.At + time.Second
	}
	if e.rest.due(s.At) {
		if e.filter.AtRest() {
			e.rest.believe(e.filter.GyroOffset())
		}
		was := e.rest.still
		e.rest.close()
		if e.rest.proved {
			e.filter.Learn(e.rest.gyroBias, minRate)
		}
		if e.rest.still {
			if !was {
				e.arrive()
			}
			e.remember()
		}
		e.hold.follow(e)
	}
	e.filter.Inertial(s.At, s.Accel, s.Gyro)
	e.base.carrier.add(s.At, s.Gyro, e.filter.Up())
	e.rest.inertial(s.At, s.Accel, s.Gyro, s.TempC)
}

// remember keeps the rest pose, so that a movement can start from it.
func (e *Estimator) remember() {
	if e.rest.accel.n < restBlocks {
		return
	}
	b := &e.base
	f, ok := e.restField()
	if !ok && b.ok && b.haveField {
		return // the compass has nothing of this rest, and that field is of another attitude
	}
	b.ok, b.up, b.at = true, e.rest.accel.mean, e.at
	b.attitude = e.filter.Attitude()
	b.carrier = carrier{}
	if g := &e.rest.secondGyro; e.opt.Inertial.HasGyro && g.n >= restBlocks && e.rest.biasN >= carryBlocks {
		b.carrier.begin(e.at, g.mean, g.ofMean(e.rest.gyroLevel.variance()))
	}
	if ok {
		b.field, b.haveField, b.extraDeg, b.rival = f, true, e.rest.rival.doubtDeg(), e.rest.rival
		if j := &e.rest.jump; j.on {
			b.extraDeg, b.since = math.Hypot(b.extraDeg, j.doubt(e.at)), j.since
		}
	}
}

// Magnetic takes one corrected field sample in body axes.
func (e *Estimator) Magnetic(s sensors.MagneticSample) {
	if !finite(s.FieldUT) || (e.haveM && s.At < e.magAt) {
		e.refused++
		return
	}
	if s.Flags.Has(sensors.Repeated) {
		// The output stands still: what this rest has of it may be of before the
		// last movement.
		e.refused++
		e.rest.field = mean3{}
		return
	}
	if s.Flags.Has(sensors.Clipped) {
		// Its value is anything beyond: one in the mean of a rest would spoil it.
		e.clippedUntil = s.At + time.Second
		e.refused++
		return
	}
	if e.haveM && s.At-e.magAt > compassGone {
		e.rest.field = mean3{}
	}
	if e.rest.jump.on && s.At-e.rest.jump.since > carryLongest {
		e.rest.acceptField()
	}
	e.magAt, e.haveM = s.At, true
	e.filter.Magnetic(s.At, s.FieldUT)
	e.rest.magnetic(s.FieldUT)
}

// restField is the averaged field of this rest.
func (e *Estimator) restField() (r3.Vec, bool) {
	if e.rest.field.n < 1 {
		return r3.Vec{}, false
	}
	return e.rest.field.mean, true
}

// Still reports whether the mount rests, and since when.
func (e *Estimator) Still() (bool, time.Duration) { return e.rest.still, e.rest.since }

// Vibration is the standard deviation of the specific force within a tenth of
// a second, m/s², per axis.
func (e *Estimator) Vibration() float64 { return math.Sqrt(e.rest.vibes) }

// vectors gives up and field in body axes as best known now, their noise, and
// whether they come from an average at rest.
func (e *Estimator) vectors() (up, field r3.Vec, haveField bool, noise noiseNow) {
	if e.rest.still && e.rest.accel.n > 0 {
		noise.accel = Diagonal(e.rest.accel.ofMean(e.rest.accelLevel.variance()))
		up = e.rest.accel.mean
		if f, ok := e.restField(); ok {
			noise.field = e.fieldNoise()
			noise.extraAzimuthDeg = math.Hypot(e.rest.rival.doubtDeg(), e.rest.apart.doubtDeg(e.at))
			if e.rest.jump.on {
				noise.extraAzimuthDeg = math.Hypot(noise.extraAzimuthDeg, e.rest.jump.doubt(e.at))
			}
			return up, f, true, noise
		}
		if e.base.ok && e.base.haveField {
			// The compass has nothing of this rest yet: carry the field along.
			return up, e.carriedField(up), true, e.carried(noise)
		}
		return up, r3.Vec{}, false, noise
	}
	if !e.base.ok {
		up, field, haveField = e.filterVectors()
		noise.accel = Isotropic(sensors.StandardGravity * e.filter.InclinationSigma())
		noise.extraAzimuthDeg = e.filter.HeadingSigma() / degree
		return up, field, haveField, noise
	}
	up = rotateInverse(relative(e.base.attitude, e.filter.Attitude()), e.base.up)
	noise.accel = Isotropic(sensors.StandardGravity * math.Hypot(movingTiltDeg*degree, e.filter.InclinationSigma()))
	if e.base.haveField {
		field, haveField = e.carriedField(up), true
		noise = e.carried(noise)
	}
	return up, field, haveField, noise
}

// filterVectors is the filter's attitude written as vectors, before any rest.
func (e *Estimator) filterVectors() (up, field r3.Vec, haveField bool) {
	q := e.filter.Attitude()
	up = rotateInverse(q, r3.Vec{Z: sensors.StandardGravity})
	if !e.haveM {
		return up, r3.Vec{}, false
	}
	dip, f := 0.0, 1.0
	if e.expected != nil {
		dip, f = e.expected.DipDeg*degree, e.expected.StrengthUT
	}
	return up, rotateInverse(q, r3.Vec{Y: f * math.Cos(dip), Z: -f * math.Sin(dip)}), true
}

const (
	// movingTiltDeg is what shaking hands leave in the tilt while moving
	// (common practice, no source).
	movingTiltDeg = 0.05
	// carryFixedDeg is the least error of a heading that was carried along.
	carryFixedDeg = 0.1
	// carryRateDeg, per second, is how fast a heading at rest is doubted whose
	// field can no longer be believed.
	carryRateDeg = 0.003
	// carryLongest is how long a field of before is believed against a new one
	// at rest; then the new one, with its own doubts, is as good.
	carryLongest = 3 * time.Minute
)

// noiseNow is what random noise leaves in the vectors.
type noiseNow struct {
	accel, field    Cov3
	extraAzimuthDeg float64
}

// carriedField is the field of the last rest in the body as it is now, where the
// vertical is up.
func (e *Estimator) carriedField(up r3.Vec) r3.Vec {
	b := &e.base
	if e.byCarrier() {
		return b.carrier.field(b.field, b.up, up)
	}
	return rotateInverse(relative(b.attitude, e.filter.Attitude()), b.field)
}

// byCarrier reports whether the gyroscope alone knows the turn since the last
// rest better than the filter knows its heading.
func (e *Estimator) byCarrier() bool {
	return e.base.carrier.ok && e.carrierSigmaDeg() < e.filter.HeadingSigma()/degree
}

func (e *Estimator) carrierSigmaDeg() float64 {
	return e.base.carrier.sigmaDeg(e.opt.Inertial.GyroNoise, e.opt.Inertial.GyroScale)
}

// carried is the doubt of that field: the gyroscope's, or the filter's whole
// heading error where that is less.
func (e *Estimator) carried(n noiseNow) noiseNow {
	n.field = Cov3{}
	sigma := e.filter.HeadingSigma() / degree
	if e.byCarrier() {
		sigma = e.carrierSigmaDeg()
	}
	n.extraAzimuthDeg = math.Sqrt(square(carryFixedDeg) + square(e.base.extraDeg) + square(sigma))
	return n
}

func (e *Estimator) fieldNoise() Cov3 {
	v := e.rest.field.ofMean(e.rest.fieldVariance(e.opt.Magnetic.RateHz * blockLength.Seconds()))
	f := e.opt.Magnetic.FloorUT * e.opt.Magnetic.FloorUT
	return Diagonal(r3.Vec{X: v.X + f, Y: v.Y + f, Z: v.Z + f})
}

// Estimate is where the axis points at the time now.
func (e *Estimator) Estimate(now time.Duration) Estimate {
	out := Estimate{At: e.at, TempC: e.tempC, FieldUT: math.NaN(), DipDeg: math.NaN()}
	age := now - e.at
	if !e.have || age > LostAfter {
		why := "no reading from the inertial sensor yet"
		if e.have {
			why = fmt.Sprintf("no reading from the inertial sensor for %.0f s", age.Seconds())
		}
		out.State = Lost
		u := Quantity{Why: why}
		out.Altitude, out.Azimuth, out.Roll = u, u, u
		out.Warnings = append(out.Warnings, Warning{Code: "inertial-lost", Text: "The inertial sensor does not answer: " + why + "."})
		return out
	}
	up, field, haveField, noise := e.vectors()
	j := poseJacobian(up, field)
	e.budget(&out, &j, up, field, haveField, noise)
	alt, _ := tilt(up)
	az := 0.0
	if haveField && e.expected != nil {
		az = wrap360(heading(up, field) + e.expected.DeclinationDeg)
	}
	e.measure(&out, alt, az, haveField && e.expected != nil)
	altBias, azBias := e.applyReferences(&out)
	e.altitude(&out, up, altBias)
	e.azimuth(&out, now, up, haveField, e.useHold(&out, wrap360(az+azBias)))
	e.state(&out, now)
	return out
}

func (e *Estimator) altitude(out *Estimate, up r3.Vec, bias float64) {
	var alt, roll float64
	for _, p := range out.Budget {
		alt += p.AltitudeDeg * p.AltitudeDeg
		roll += p.RollDeg * p.RollDeg
	}
	a, r := tilt(up)
	out.Altitude = Quantity{Deg: a + bias, SigmaDeg: math.Sqrt(alt), Known: true, Source: "accelerometer"}
	if r := &e.anchors[altitudeChannel]; r.ok {
		out.Altitude.Source = r.source
	}
	out.Roll = Quantity{Deg: r, SigmaDeg: math.Sqrt(roll), Known: true, Source: "accelerometer"}
	if math.Abs(a) > zenithLimitDeg {
		out.Roll = Quantity{Why: "the axis points to the zenith: roll has no meaning"}
	}
	if out.Altitude.SigmaDeg > altitudeLimitDeg {
		why := fmt.Sprintf("altitude uncertain by %.0f°: calibrate the accelerometer", out.Altitude.SigmaDeg)
		out.Altitude, out.Roll = Quantity{Why: why}, Quantity{Why: why}
	}
	if e.opt.AccelError == nil && !e.anchors[altitudeChannel].ok {
		out.Warnings = append(out.Warnings, Warning{Code: "accelerometer-uncalibrated",
			Text: fmt.Sprintf("The accelerometer is not calibrated: altitude may be off by %.1f°. Calibrate it in several rest poses.", out.Altitude.SigmaDeg)})
	}
}

func (e *Estimator) azimuth(out *Estimate, now time.Duration, up r3.Vec, haveField bool, az float64) {
	refuse := func(code, why string) {
		out.Azimuth = Quantity{Why: why}
		out.Warnings = append(out.Warnings, Warning{Code: code, Text: "No direction: " + why + "."})
	}
	switch {
	case !e.haveM:
		refuse("magnetometer-missing", "no reading from the magnetometer yet")
		return
	case now-e.magAt > compassGone:
		refuse("magnetometer-lost", fmt.Sprintf("no reading from the magnetometer for %.0f s", (now-e.magAt).Seconds()))
		return
	case !haveField:
		refuse("compass-settling", "the compass settles")
		return
	case e.expected == nil:
		refuse("declination-not-known", e.noField)
		return
	}
	if a, _ := tilt(up); math.Abs(a) > zenithLimitDeg {
		refuse("zenith", "the axis points to the zenith: it has no azimuth there")
		return
	}
	var v float64
	for _, p := range out.Budget {
		v += p.AzimuthDeg * p.AzimuthDeg
	}
	sigma := math.Sqrt(v)
	if sigma > azimuthLimitDeg {
		why := fmt.Sprintf("direction uncertain by %.0f°", sigma)
		switch {
		case e.opt.FieldError == nil:
			refuse("compass-uncalibrated", "the compass is not calibrated: turn the board through all directions")
		case e.disturb.now:
			refuse("field-disturbed", why+", "+e.disturb.why)
		default:
			refuse("azimuth-uncertain", why)
		}
		return
	}
	source := "compass"
	if e.opt.Inertial.HasGyro && (e.disturb.carrying || !e.rest.still) {
		source = "gyroscope"
	}
	if r := &e.anchors[azimuthChannel]; r.ok {
		source = r.source
	}
	out.Azimuth = Quantity{Deg: az, SigmaDeg: sigma, Known: true, Source: source}
	if e.disturb.now {
		out.Warnings = append(out.Warnings, Warning{Code: "field-disturbed", Text: "The magnetic field is not the Earth's alone: " + e.disturb.why + ". Move steel, phone and power leads away."})
	}
}

func (e *Estimator) state(out *Estimate, now time.Duration) {
	switch {
	case now-e.at > StaleAfter:
		out.State = Stale
		out.Warnings = append(out.Warnings, Warning{Code: "stale", Text: fmt.Sprintf("The last reading is %.1f s old.", (now - e.at).Seconds())})
	case !e.rest.still:
		out.State = Moving
	case e.disturb.now:
		out.State = Disturbed
	case e.settled(out):
		out.State = Steady
	default:
		out.State = Settling
	}
	if e.at < e.clippedUntil {
		out.Warnings = append(out.Warnings, Warning{Code: "clipped", Text: "A sensor stands at the end of its range: move more gently."})
	}
}

func (e *Estimator) settled(out *Estimate) bool {
	if e.at-e.rest.since < steadyAfter {
		return false
	}
	for _, p := range out.Budget {
		if p.Name == partNoise {
			return p.AltitudeDeg <= steadyAltitudeDeg && (!out.Azimuth.Known || p.AzimuthDeg <= steadyAzimuthShare*out.Azimuth.SigmaDeg)
		}
	}
	return false
}

func finite(v r3.Vec) bool {
	s := v.X + v.Y + v.Z
	return !math.IsNaN(s) && !math.IsInf(s, 0)
}

// relative is the rotation from the body at a to the body at b, both given as
// body-to-world.
func relative(a, b quat.Number) quat.Number { return quat.Mul(quat.Conj(a), b) }

// rotateInverse brings a world (or earlier body) vector into the body of q.
func rotateInverse(q quat.Number, v r3.Vec) r3.Vec {
	p := quat.Mul(quat.Mul(quat.Conj(q), quat.Number{Imag: v.X, Jmag: v.Y, Kmag: v.Z}), q)
	return r3.Vec{X: p.Imag, Y: p.Jmag, Z: p.Kmag}
}
