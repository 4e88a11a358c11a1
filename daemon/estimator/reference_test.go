package estimator

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// crooked is a stand whose systematic errors are drawn from its own budget:
// calibration and iron in the body, mounting in the body, steel beside the mount.
type crooked struct {
	*stand
	accelErr, fieldErr r3.Vec // body
	mountAlt, mountAz  float64
	trueAz, trueAlt    float64
}

func newCrooked(seed uint64, alt, az float64) *crooked {
	c := &crooked{stand: newStand(seed, alt, az)}
	r := rand.New(rand.NewPCG(seed, 77))
	draw := func(sd float64) r3.Vec {
		return r3.Vec{X: sd * r.NormFloat64(), Y: sd * r.NormFloat64(), Z: sd * r.NormFloat64()}
	}
	local := testOptions().LocalFieldUT
	c.accelErr, c.fieldErr = draw(0.01), r3.Add(draw(0.2), draw(ironShare*local))
	c.mountAlt, c.mountAz = 0.1*r.NormFloat64(), 0.1*r.NormFloat64()
	// Declination error and natural variation turn the whole field; steel adds
	// a vector that stays where it is.
	turn := math.Hypot(0.4, fieldVariationDeg) * degree * r.NormFloat64()
	s, k := math.Sincos(turn)
	f := c.fieldUT
	c.fieldUT = r3.Add(r3.Vec{X: f.X*k + f.Y*s, Y: f.Y*k - f.X*s, Z: f.Z}, draw(outsideShare*local))
	return c
}

// feed lets the mount stand for d and turns it by the given amounts first.
func (c *crooked) feed(d time.Duration, altTurn, azTurn float64) {
	const step = time.Second / standRate
	move := 2 * time.Second
	if altTurn == 0 && azTurn == 0 {
		move = 0
	}
	for end := c.at + move + d; c.at < end; c.at += step {
		var ra, rz float64
		if end-c.at > d {
			ra, rz = altTurn/move.Seconds(), azTurn/move.Seconds()
		}
		c.alt += ra * step.Seconds()
		c.az += rz * step.Seconds()
		rate := r3.Add(r3.Vec{Y: -ra * degree}, inBody(r3.Vec{Z: -rz * degree}, c.alt, c.az, 0))
		c.e.Inertial(sensors.InertialSample{
			At:    c.at,
			Accel: r3.Add(r3.Add(inBody(r3.Vec{Z: sensors.StandardGravity}, c.alt, c.az, 0), c.accelErr), c.noise(c.accelSD)),
			Gyro:  r3.Add(r3.Add(rate, c.gyroBias), c.noise(c.gyroSD)), TempC: 10,
		})
		c.e.Magnetic(sensors.MagneticSample{At: c.at, FieldUT: r3.Add(r3.Add(inBody(c.fieldUT, c.alt, c.az, 0), c.fieldErr), c.noise(c.fieldSD)), TempC: 10})
	}
	// The axis is not quite body x.
	c.trueAlt = c.alt + c.mountAlt
	c.trueAz = c.az + c.mountAz/math.Cos(c.alt*degree)
}

func (c *crooked) refer(t *testing.T, altSigma, azSigma float64) {
	t.Helper()
	err := c.e.Refer(Reference{
		Altitude: Quantity{Deg: c.trueAlt + altSigma*c.rng.NormFloat64(), SigmaDeg: altSigma, Known: true, Source: "sighting"},
		Azimuth:  Quantity{Deg: c.trueAz + azSigma*c.rng.NormFloat64(), SigmaDeg: azSigma, Known: true, Source: "sighting"},
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Coverage without reference, right after one, after turning away, and after a
// second reference: the truth must lie within 95 % bounds 95 % of the time.
func TestReferencesKeepTheirPromise(t *testing.T) {
	const seeds = 400
	type count struct{ alt, az int }
	var before, after, turned, second count
	var azSigmas [4]float64
	tally := func(n *count, k int, c *crooked) {
		x := c.now()
		if !x.Altitude.Known || !x.Azimuth.Known {
			t.Fatalf("not known: %+v", x)
		}
		if math.Abs(x.Altitude.Deg-c.trueAlt) < 1.96*x.Altitude.SigmaDeg {
			n.alt++
		}
		if math.Abs(wrap180(x.Azimuth.Deg-c.trueAz)) < 1.96*x.Azimuth.SigmaDeg {
			n.az++
		}
		azSigmas[k] += x.Azimuth.SigmaDeg / seeds
	}
	for seed := range uint64(seeds) {
		c := newCrooked(seed, 48, 12)
		c.feed(4*time.Second, 0, 0)
		tally(&before, 0, c)
		c.refer(t, 0.1, 0.3)
		c.feed(time.Second, 0, 0)
		tally(&after, 1, c)
		c.feed(4*time.Second, 3, -14)
		tally(&turned, 2, c)
		c.refer(t, 0.05, 0.1)
		tally(&second, 3, c)
	}
	t.Logf("mean azimuth sigma before, after, turned, second: %.2f", azSigmas)
	for _, r := range []struct {
		name string
		n    count
	}{{"before", before}, {"after", after}, {"turned away", turned}, {"second", second}} {
		for angle, n := range map[string]int{"altitude": r.n.alt, "azimuth": r.n.az} {
			// 95 % of 400 is 380 ± 4.4; allow 3.5 of those sigmas.
			if f := float64(n) / seeds; f < 0.912 || f > 0.988 {
				t.Errorf("%s, %s: truth within the 95 %% bound in %.3f of the seeds", r.name, angle, f)
			}
		}
	}
	if azSigmas[1] > 0.35 || azSigmas[3] > azSigmas[1] {
		t.Errorf("references do not help: %v", azSigmas)
	}
}

func TestReferencesAreRefusedInWords(t *testing.T) {
	s := newStand(1, 50, 0)
	ok := Quantity{Deg: 50, SigmaDeg: 0.1, Known: true}
	if err := s.e.Refer(Reference{Altitude: ok}); !errors.Is(err, ErrNotStill) {
		t.Errorf("before any sample: %v", err)
	}
	s.run(4*time.Second, 0, 0)
	for _, q := range []Quantity{{Deg: math.NaN(), SigmaDeg: 1, Known: true}, {Deg: 50, Known: true}, {Deg: 50, SigmaDeg: math.Inf(1), Known: true}} {
		if err := s.e.Refer(Reference{Altitude: q}); err == nil {
			t.Errorf("%+v was taken", q)
		}
	}
	if err := s.e.Refer(Reference{}); err == nil {
		t.Error("an empty reference was taken")
	}
	s.run(time.Second, 3, 0)
	if err := s.e.Refer(Reference{Altitude: ok}); !errors.Is(err, ErrNotStill) {
		t.Errorf("while moving: %v", err)
	}
}
