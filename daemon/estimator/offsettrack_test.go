package estimator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// chipOf is a gyroscope of a data sheet: noise per block, drift and wander.
type chipOf struct {
	name                    string
	noise, drift, wanderDeg float64
}

// The offset's sigma is that of its error, at rest and after a movement in which the
// board went on cooling, for a good chip and a poor one; also where the chip tells no
// temperature.
func TestOffsetTrackCovers(t *testing.T) {
	const nights = 300
	for _, c := range []chipOf{{"good", 3.8e-3, 0.01, 8}, {"poor", 5e-3, 0.16, 30}} {
		for _, known := range []bool{true, false} {
			in, n, beyond := 0, 0, 0
			var worst float64
			for seed := range uint64(nights) {
				r := rand.New(rand.NewPCG(seed, 5))
				o := Options{Inertial: sensors.InertialSpec{GyroDriftPerC: c.drift * degree, GyroWander: c.wanderDeg * degree / 3600}}
				block := c.noise * degree / math.Sqrt(2*blockSeconds)
				slope, cools := c.drift*degree*r.NormFloat64(), 4*r.NormFloat64()/60
				wander := c.wanderDeg * degree / 3600 * r.NormFloat64()
				phi := math.Exp(-blockSeconds / wanderTime)
				var temp, warmth, offset float64
				tell := func(at time.Duration) float64 {
					if known {
						return warmth
					}
					return unknownCooling * at.Seconds()
				}
				var track offsetTrack
				var first float64
				at := time.Duration(0)
				for k := range 450 {
					at += blockLength
					temp += cools * blockSeconds
					warmth += (temp - warmth) / warmthMemory
					wander = phi*wander + math.Sqrt(1-phi*phi)*c.wanderDeg*degree/3600*r.NormFloat64()
					offset = slope*warmth + wander
					rate := r3.Vec{Z: offset + block*r.NormFloat64()}
					v := r3.Vec{X: block * block, Y: block * block, Z: block * block}
					switch {
					case k < trackStart:
						if first += rate.Z / trackStart; k == trackStart-1 {
							track.start(r3.Vec{Z: first}, at, tell(at), trackStart, block*block, &o)
						}
					case k < 300: // 30 s of rest, then 15 s of movement
						track.take(at, tell(at), rate, v)
					}
					if k == 299 || k == 449 {
						got, variance := track.now(at, tell(at))
						z := math.Abs(got.Z-offset) / math.Sqrt(variance)
						worst = max(worst, z)
						n++
						if z < 1.96 {
							in++
						}
						if z > 4 {
							beyond++
						}
					}
				}
			}
			if share := float64(in) / float64(n); share < 0.92 || share > 0.995 || beyond > n/500 {
				t.Errorf("%s chip, temperature told %v: %.1f %% within the 95 %% bound, %d of %d beyond 4 sigma, worst %.1f", c.name, known, 100*share, beyond, n, worst)
			}
		}
	}
}

// A turn in azimuth by a right angle leaves nothing of what is fixed in the board,
// and a change of altitude at the meridian leaves the azimuth's error as it is.
func TestAlike(t *testing.T) {
	for _, x := range []struct {
		c                    channel
		alt1, az1, alt2, az2 float64
		want, tol            float64
	}{
		{azimuthChannel, 50, 10, 50, 10, 1, 1e-9},
		{azimuthChannel, 50, 10, 50, 70, 0.5, 1e-9},
		{azimuthChannel, 50, 0, 50, 90, 0, 1e-9},
		{azimuthChannel, 50, 0, 50, 180, 0, 1e-9},
		{azimuthChannel, 30, 0, 60, 0, 1, 1e-9},
		{azimuthChannel, 30, 90, 60, 90, math.Cos(30 * degree), 1e-9},
		{altitudeChannel, 50, 0, 50, 120, 1, 1e-9},
		{altitudeChannel, 30, 0, 60, 0, math.Cos(30 * degree), 1e-9},
	} {
		if got := x.c.alike(x.alt1, x.az1, x.alt2, x.az2); math.Abs(got-x.want) > x.tol {
			t.Errorf("%v: %.3f, want %.3f", x, got, x.want)
		}
	}
	// Against a vector in the body, turned: the azimuth takes its part to the east.
	r := rand.New(rand.NewPCG(1, 1))
	var xy, xx, yy float64
	for range 20000 {
		v := r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
		east := r3.Vec{X: 1}
		a, b := r3.Dot(v, inBody(east, 50, 20, 0)), r3.Dot(v, inBody(east, 35, -40, 0))
		xy, xx, yy = xy+a*b, xx+a*a, yy+b*b
	}
	if got, want := azimuthChannel.alike(50, 20, 35, -40), xy/math.Sqrt(xx*yy); math.Abs(got-want) > 0.02 {
		t.Errorf("correlation %.3f, want %.3f", got, want)
	}
}
