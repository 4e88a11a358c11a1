package estimator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// stand is a simulated mount at rest or turning, with white noise only.
type stand struct {
	e        *Estimator
	rng      *rand.Rand
	at       time.Duration
	alt, az  float64
	accelSD  float64 // of one sample
	gyroSD   float64
	fieldSD  float64
	gyroBias r3.Vec
	fieldUT  r3.Vec // ENU
	// meddle, when set, may change a field sample, or keep it back by false.
	meddle func(*sensors.MagneticSample) bool
}

const standRate = 100

func testOptions() Options {
	return Options{
		Inertial: sensors.InertialSpec{
			Chip: "test", RateHz: standRate, HasGyro: true,
			AccelNoise: 70e-6 * sensors.StandardGravity, GyroNoise: 3.8e-3 * degree,
			AccelOffset: 0.2, AccelDriftPerC: 1e-3, GyroOffset: degree,
		},
		Magnetic:   sensors.MagneticSpec{Chip: "test", RateHz: standRate, NoiseUT: 0.1},
		AccelError: func(r3.Vec) Cov3 { return Isotropic(0.01) },
		FieldError: func(r3.Vec) Cov3 { return Isotropic(0.2) },
		CalTempC:   10, MountSigmaDeg: 0.1, LocalFieldUT: 0.5,
	}
}

func testField() *Field {
	return &Field{DeclinationDeg: 3, DeclinationSigmaDeg: 0.4, DipDeg: 66, DipSigmaDeg: 0.2, StrengthUT: 48, StrengthSigmaUT: 0.14}
}

func newStand(seed uint64, alt, az float64) *stand {
	o := testOptions()
	s := &stand{
		e: New(o), rng: rand.New(rand.NewPCG(seed, 9)), alt: alt, az: az,
		accelSD: o.Inertial.AccelNoise * math.Sqrt(standRate/2), gyroSD: o.Inertial.GyroNoise * math.Sqrt(standRate/2),
		fieldSD: o.Magnetic.NoiseUT, gyroBias: r3.Vec{X: 0.01, Y: -0.008, Z: 0.005},
	}
	f := testField()
	s.e.SetField(f, "")
	e := earth(f.StrengthUT, f.DipDeg)
	sd, cd := math.Sincos(f.DeclinationDeg * degree)
	s.fieldUT = r3.Vec{X: e.Y * sd, Y: e.Y * cd, Z: e.Z}
	return s
}

func (s *stand) noise(sd float64) r3.Vec {
	return r3.Vec{X: sd * s.rng.NormFloat64(), Y: sd * s.rng.NormFloat64(), Z: sd * s.rng.NormFloat64()}
}

// run feeds samples for d while altitude and azimuth change at the given rates,
// °/s.
func (s *stand) run(d time.Duration, altRate, azRate float64) {
	const step = time.Second / standRate
	for end := s.at + d; s.at < end; s.at += step {
		s.alt += altRate * step.Seconds()
		s.az += azRate * step.Seconds()
		// Raising turns about body -y; a growing azimuth about -up.
		rate := r3.Add(r3.Vec{Y: -altRate * degree}, inBody(r3.Vec{Z: -azRate * degree}, s.alt, s.az, 0))
		s.e.Inertial(sensors.InertialSample{
			At:    s.at,
			Accel: r3.Add(inBody(r3.Vec{Z: sensors.StandardGravity}, s.alt, s.az, 0), s.noise(s.accelSD)),
			Gyro:  r3.Add(r3.Add(rate, s.gyroBias), s.noise(s.gyroSD)), TempC: 10,
		})
		m := sensors.MagneticSample{At: s.at, FieldUT: r3.Add(inBody(s.fieldUT, s.alt, s.az, 0), s.noise(s.fieldSD)), TempC: 10}
		if s.meddle == nil || s.meddle(&m) {
			s.e.Magnetic(m)
		}
	}
}

func (s *stand) now() Estimate { return s.e.Estimate(s.at) }

func part(e Estimate, name string) Part {
	for _, p := range e.Budget {
		if p.Name == name {
			return p
		}
	}
	return Part{}
}

func TestRestBecomesSteadyAndStaysSo(t *testing.T) {
	for seed := range uint64(20) {
		s := newStand(seed, 50, 10)
		s.run(6*time.Second, 0, 0)
		if e := s.now(); e.State != Steady {
			t.Fatalf("seed %d: state %s after 6 s of rest", seed, e.State)
		}
		moves := s.e.rest.moves
		s.run(60*time.Second, 0, 0)
		if s.e.rest.moves != moves {
			t.Errorf("seed %d: %d movements seen in a minute of rest", seed, s.e.rest.moves-moves)
		}
	}
}

// White noise alone: the noise part of the budget must be what the estimates
// scatter by, at any time of the average.
func TestNoisePartMatchesTheScatter(t *testing.T) {
	const seeds = 400
	for _, wait := range []time.Duration{time.Second, 4 * time.Second, 15 * time.Second} {
		var alt, az, altSigma, azSigma float64
		var within int
		for seed := range uint64(seeds) {
			s := newStand(1000+seed, 50, 10)
			s.run(wait, 0, 0)
			e := s.now()
			if !e.Azimuth.Known || !e.Altitude.Known {
				t.Fatalf("after %v: %+v", wait, e)
			}
			p := part(e, partNoise)
			da, dz := e.Altitude.Deg-s.alt, wrap180(e.Azimuth.Deg-s.az)
			alt += da * da
			az += dz * dz
			altSigma += p.AltitudeDeg
			azSigma += p.AzimuthDeg
			if math.Abs(da) < 1.96*p.AltitudeDeg {
				within++
			}
		}
		ra, rz := math.Sqrt(alt/seeds)/(altSigma/seeds), math.Sqrt(az/seeds)/(azSigma/seeds)
		t.Logf("after %v: scatter over stated noise: altitude %.2f, azimuth %.2f; altitude within 95 %%: %.3f", wait, ra, rz, float64(within)/seeds)
		// The noise level starts high and comes down: in the first seconds the
		// noise is overstated, never understated.
		lowest := 0.85
		if wait < 10*time.Second {
			lowest = 0.4
		}
		if ra < lowest || ra > 1.15 || rz < 0.6 || rz > 1.15 {
			t.Errorf("after %v: scatter over stated noise: altitude %.2f, azimuth %.2f", wait, ra, rz)
		}
	}
}

func TestTurnsAreSeenAndFollowed(t *testing.T) {
	for seed := range uint64(20) {
		s := newStand(seed, 48, 340)
		s.run(5*time.Second, 0, 0)
		s.run(2*time.Second, 1.5, 0) // 3° up
		if e := s.now(); e.State != Moving || math.Abs(e.Altitude.Deg-s.alt) > 0.3 {
			t.Errorf("seed %d: %s, altitude %v, truth %v while raising", seed, e.State, e.Altitude.Deg, s.alt)
		}
		s.run(3*time.Second, 0, 8) // 24° of azimuth
		e := s.now()
		if e.State != Moving || !e.Azimuth.Known || math.Abs(wrap180(e.Azimuth.Deg-s.az)) > 1 {
			t.Errorf("seed %d: %s, azimuth %+v, truth %v while turning", seed, e.State, e.Azimuth, s.az)
		}
		s.run(4*time.Second, 0, 0)
		e = s.now()
		if e.State != Steady || math.Abs(e.Altitude.Deg-s.alt) > 0.02 || math.Abs(wrap180(e.Azimuth.Deg-s.az)) > 0.3 {
			t.Errorf("seed %d: %s, altitude %v of %v, azimuth %v of %v after the turn", seed, e.State, e.Altitude.Deg, s.alt, e.Azimuth.Deg, s.az)
		}
	}
}

// A turn about the vertical that the accelerometer cannot see.
func TestSlowTurnInAzimuthIsSeen(t *testing.T) {
	for _, rate := range []float64{0.2, 0.5, 2} {
		s := newStand(3, 0, 20)
		s.run(10*time.Second, 0, 0)
		s.run(5*time.Second, 0, rate)
		s.run(4*time.Second, 0, 0)
		if e := s.now(); !e.Azimuth.Known || math.Abs(wrap180(e.Azimuth.Deg-s.az)) > 0.3 {
			t.Errorf("after a turn at %v °/s: azimuth %+v, truth %v", rate, e.Azimuth, s.az)
		}
	}
}

func TestNothingIsKnownWithoutSamples(t *testing.T) {
	e := New(testOptions())
	x := e.Estimate(0)
	if x.State != Lost || x.Altitude.Known || x.Azimuth.Known || x.Altitude.Why == "" || len(x.Warnings) == 0 {
		t.Errorf("before the first sample: %+v", x)
	}
	s := newStand(1, 50, 0)
	s.run(5*time.Second, 0, 0)
	if x := s.e.Estimate(s.at + time.Second); x.State != Stale {
		t.Errorf("a second after the last sample: %s", x.State)
	}
	if x := s.e.Estimate(s.at + 4*time.Second); x.State != Lost || x.Altitude.Known {
		t.Errorf("four seconds after the last sample: %s", x.State)
	}
}

func TestRefusesWhatIsNotANumber(t *testing.T) {
	s := newStand(1, 50, 0)
	s.run(5*time.Second, 0, 0)
	before := s.now()
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		s.e.Inertial(sensors.InertialSample{At: s.at, Accel: r3.Vec{X: v}})
		s.e.Inertial(sensors.InertialSample{At: s.at, Gyro: r3.Vec{Y: v}})
		s.e.Magnetic(sensors.MagneticSample{At: s.at, FieldUT: r3.Vec{Z: v}})
	}
	if s.e.Refused() != 9 {
		t.Errorf("refused %d of 9", s.e.Refused())
	}
	if after := s.now(); after.Altitude != before.Altitude || after.Azimuth != before.Azimuth {
		t.Errorf("bad samples changed the estimate: %+v, %+v", before, after)
	}
}

// A sample at the end of the range says nothing of the field. A second full of
// them, as a chip without its settings gave, must not stay in the mean of the rest.
func TestClippedFieldIsPassedOver(t *testing.T) {
	s := newStand(5, 50, 10)
	s.meddle = func(m *sensors.MagneticSample) bool {
		if s.at < time.Second {
			m.FieldUT, m.Flags = r3.Vec{X: -819, Y: -819, Z: -819}, sensors.Clipped
		}
		return true
	}
	s.run(11*time.Second, 0, 0)
	if e := s.now(); !e.Azimuth.Known || math.Abs(e.Azimuth.Deg-10) > 4*e.Azimuth.SigmaDeg || e.State != Steady {
		t.Errorf("azimuth %+v, state %s, %v", e.Azimuth, e.State, e.Warnings)
	}
}

func BenchmarkEstimatorStep(b *testing.B) {
	s := newStand(1, 50, 10)
	s.run(5*time.Second, 0, 0)
	a := inBody(r3.Vec{Z: sensors.StandardGravity}, s.alt, s.az, 0)
	f := inBody(s.fieldUT, s.alt, s.az, 0)
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		s.at += 10 * time.Millisecond
		n := r3.Vec{X: 1e-3 * float64(i%7), Y: 1e-3 * float64(i%5), Z: 1e-3 * float64(i%3)}
		s.e.Inertial(sensors.InertialSample{At: s.at, Accel: r3.Add(a, n), Gyro: r3.Scale(0.1, n), TempC: 10})
		s.e.Magnetic(sensors.MagneticSample{At: s.at, FieldUT: r3.Add(f, n), TempC: 10})
	}
}

func BenchmarkEstimate(b *testing.B) {
	s := newStand(1, 50, 10)
	s.run(5*time.Second, 0, 0)
	b.ReportAllocs()
	for b.Loop() {
		s.e.Estimate(s.at)
	}
}
