package daemon

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// turnOf makes a rest of 5 s, a turn about the vertical that begins and ends
// gently, and a rest of end; the gyroscope's offset drifts all the time.
func turnOf(drift float64, end time.Duration) (inertial []sensors.InertialSample, magnetic []sensors.MagneticSample, offset func(time.Duration) float64) {
	rng := rand.New(rand.NewPCG(1, 2))
	const turns, arc = 10 * time.Second, 2.5
	offset = func(at time.Duration) float64 { return 0.3 + drift*at.Seconds() }
	angle := 0.0
	for at := time.Duration(0); at < 5*time.Second+turns+end; at += 10 * time.Millisecond {
		rate := 0.0
		if x := (at - 5*time.Second).Seconds() / turns.Seconds(); x > 0 && x < 1 {
			rate = 30 * x * x * (1 - x) * (1 - x) * arc / turns.Seconds()
		}
		angle += rate * 0.01
		inertial = append(inertial, sensors.InertialSample{At: at, Accel: r3.Vec{Z: 9.81}, Gyro: r3.Vec{Z: rate + offset(at) + 0.0007*rng.NormFloat64()}})
		magnetic = append(magnetic, sensors.MagneticSample{At: at, FieldUT: r3.Vec{X: 20*math.Cos(angle) + 0.1*rng.NormFloat64(), Y: -20*math.Sin(angle) + 0.1*rng.NormFloat64(), Z: -45}})
	}
	return inertial, magnetic, offset
}

func TestOffsetOfTheGyroscopeDuringATurn(t *testing.T) {
	in, mag, offset := turnOf(0.002, 2*time.Second)
	from, ok := quietest(in, 0, 7*time.Second, restBefore)
	if !ok || in[from].At > 3500*time.Millisecond || in[from].At < 2*time.Second {
		t.Fatalf("the rest before the turn is taken from %v on", in[from].At)
	}
	r := restRateOf(in[from:], mag)
	for at := 5 * time.Second; at < 15*time.Second; at += time.Second {
		if off := r.now(at).Z - offset(at); math.Abs(off) > 0.0005 {
			t.Errorf("at %v the offset is off by %.5f rad/s", at, off)
		}
	}
	// Without a rest at the end the offset of the beginning has to do: the slow end
	// of the turn is no rest.
	in, mag, _ = turnOf(0.002, -time.Second)
	if r := restRateOf(in[from:], mag); r.slope != (r3.Vec{}) {
		t.Errorf("a slow turn passes for the offset: %v rad/s²", r.slope)
	}
}
