package estimator

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// axes of a body at altitude, azimuth and roll (degrees), written out in ENU
// by hand: x along the axis, y left, z up, then rolled about x.
func axes(alt, az, roll float64) (x, y, z r3.Vec) {
	sa, ca := math.Sincos(alt * degree)
	sz, cz := math.Sincos(az * degree)
	x = r3.Vec{X: ca * sz, Y: ca * cz, Z: sa}
	left := r3.Vec{X: -cz, Y: sz}
	up := r3.Cross(x, left)
	sr, cr := math.Sincos(roll * degree)
	y = r3.Add(r3.Scale(cr, left), r3.Scale(sr, up))
	z = r3.Add(r3.Scale(-sr, left), r3.Scale(cr, up))
	return
}

func inBody(v r3.Vec, alt, az, roll float64) r3.Vec {
	x, y, z := axes(alt, az, roll)
	return r3.Vec{X: r3.Dot(v, x), Y: r3.Dot(v, y), Z: r3.Dot(v, z)}
}

// magnetic field in ENU, magnetic north along y.
func earth(strength, dip float64) r3.Vec {
	return r3.Vec{Y: strength * math.Cos(dip*degree), Z: -strength * math.Sin(dip*degree)}
}

func TestPoseRecoversTheAttitude(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		alt := 178*rng.Float64() - 89
		az, roll := 360*rng.Float64(), 340*rng.Float64()-170
		dip := 160*rng.Float64() - 80
		p := PoseOf(inBody(r3.Vec{Z: 9.8}, alt, az, roll), inBody(earth(48, dip), alt, az, roll))
		if math.Abs(p.AltitudeDeg-alt) > 1e-9 || math.Abs(wrap180(p.AzimuthDeg-az)) > 1e-7 || math.Abs(wrap180(p.RollDeg-roll)) > 1e-7 {
			t.Fatalf("altitude %v azimuth %v roll %v at dip %v: got %+v", alt, az, roll, dip, p)
		}
	}
}

// Figures of the sensor physics that are computed by hand: 1 µT east in a
// horizontal field of 20 µT turns the heading by 3°, 1 µT north not at all;
// 0.1° of tilt about north costs 0.25° of heading at dip 68°.
func TestJacobianOfTheCompass(t *testing.T) {
	dip := 68.0
	field := earth(20/math.Cos(dip*degree), dip)
	up := r3.Vec{Z: 9.8}
	// A level body that points north: body x is north, y is west, z is up.
	j := poseJacobian(inBody(up, 0, 0, 0), inBody(field, 0, 0, 0))
	if got := j[1][4]; math.Abs(got-1/20.0/degree) > 1e-3 {
		t.Errorf("heading per µT west: %v°, want %v°", got, 1/20.0/degree)
	}
	if got := j[1][3]; math.Abs(got) > 1e-6 {
		t.Errorf("heading per µT north: %v°, want 0", got)
	}
	tilt := 0.1 * degree * 9.8 // the up vector leaning to the side
	if got := math.Abs(j[1][1] * tilt); math.Abs(got-0.1*math.Tan(dip*degree)) > 1e-3 {
		t.Errorf("heading per 0.1° of roll: %v°, want %v°", got, 0.1*math.Tan(dip*degree))
	}
	if got := j[0][0] * 9.8 * degree; math.Abs(got-1) > 1e-6 {
		t.Errorf("altitude per forward lean: %v, want 1", got)
	}
}

// The propagated sigmas against the scatter of many noisy draws.
func TestSigmasMatchTheScatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n = 20000
	for _, c := range []struct{ alt, az, roll, dip float64 }{{0, 0, 0, 0}, {52, 10, 0, 67}, {31, 180, 20, -65}, {70, 300, -40, 75}} {
		up, field := inBody(r3.Vec{Z: 9.8}, c.alt, c.az, c.roll), inBody(earth(48, c.dip), c.alt, c.az, c.roll)
		ca, cm := Isotropic(0.01), Diagonal(r3.Vec{X: 0.04, Y: 0.01, Z: 0.09})
		j := poseJacobian(up, field)
		want := j.sigmas(&ca, &cm)
		var sum [3]float64
		for range n {
			draw := func(v r3.Vec, c *Cov3) r3.Vec {
				return r3.Add(v, r3.Vec{
					X: math.Sqrt(c[0][0]) * rng.NormFloat64(),
					Y: math.Sqrt(c[1][1]) * rng.NormFloat64(),
					Z: math.Sqrt(c[2][2]) * rng.NormFloat64(),
				})
			}
			p := PoseOf(draw(up, &ca), draw(field, &cm))
			for k, d := range [3]float64{p.AltitudeDeg - c.alt, wrap180(p.AzimuthDeg - c.az), wrap180(p.RollDeg - c.roll)} {
				sum[k] += d * d
			}
		}
		for k, s := range sum {
			got := math.Sqrt(s / n)
			if math.Abs(got/want[k]-1) > 0.03 {
				t.Errorf("%+v: quantity %d scatters by %v°, stated %v°", c, k, got, want[k])
			}
		}
	}
}
