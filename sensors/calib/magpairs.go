package calib

import (
	"math"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// upPair is a field reading with the direction up at the same moment.
type upPair struct {
	raw, up r3.Vec
	rate    r3.Vec // change of raw, µT/s
}

// turnPair is two field readings with the rotation between them: d turns
// vectors from body axes at b into body axes at a, phi is its rotation vector.
type turnPair struct {
	a, b         r3.Vec
	rateA, rateB r3.Vec // change of a and b, µT/s
	d            quat.Number
	phi          r3.Vec
	dt           float64
}

// pairUp finds the pairs of a recording. Every step, the accelerometer's
// direction is averaged over the second half of smooth before and the first
// half after, freed of rotation by the gyroscope.
func pairUp(magnetic []sensors.MagneticSample, inertial []sensors.InertialSample, o *MagOptions) (ups []upPair, turns []turnPair) {
	inertial = finiteOnly(inertial)
	if len(inertial) < 2 || len(magnetic) < 2 {
		return nil, nil
	}
	// The direction of up is no help before the accelerometer is calibrated.
	useUp := true
	if o.Accel != nil {
		tilt, _ := tiltOverSphere(o.Accel, o.Gravity)
		useUp = tilt < 1
	}
	const step, half, maxGap = 100 * time.Millisecond, 125 * time.Millisecond, 100 * time.Millisecond
	const turnSteps = 2
	gyro := hasGyro(inertial)
	t := newTrack(inertial, o.GyroBias, maxGap, o.GyroRange)
	type node struct {
		at   int // inertial sample
		raw  r3.Vec
		rate r3.Vec
		ok   bool
	}
	var last [turnSteps]node
	k := 0
	next := inertial[0].At
	lo, hi := 0, 0
	for i := range inertial {
		at := inertial[i].At
		if at < next {
			continue
		}
		next = at + step
		for k+1 < len(magnetic) && magnetic[k+1].At <= at {
			k++
		}
		n := node{at: i}
		n.raw, n.rate, n.ok = interpolate(magnetic, k, at, maxGap)
		for lo < i && at-inertial[lo].At > half {
			lo++
		}
		for hi < len(inertial) && inertial[hi].At-at <= half {
			hi++
		}
		if n.ok && hi > lo {
			var s r3.Vec
			if gyro && t.broken[hi-1] == t.broken[lo] {
				s = t.stable(lo, i, hi)
			} else {
				s = inertial[i].Accel
			}
			// More than a tenth of g of the hand's own acceleration says nothing
			// about up.
			if useUp && math.Abs(r3.Norm(s)-o.Gravity) < 0.1*o.Gravity {
				ups = append(ups, upPair{raw: n.raw, up: r3.Unit(s), rate: n.rate})
			}
		}
		if first := last[0]; gyro && n.ok && first.ok && t.broken[i] == t.broken[first.at] {
			turns = append(turns, turnPair{
				a: first.raw, b: n.raw, rateA: first.rate, rateB: n.rate, d: t.between(first.at, i),
				phi: r3.Sub(t.turned[i], t.turned[first.at]), dt: (at - inertial[first.at].At).Seconds(),
			})
			// The next pair starts where this one ends: pairs share no rotation.
			last = [turnSteps]node{}
			last[turnSteps-1] = n
			continue
		}
		copy(last[:], last[1:])
		last[turnSteps-1] = n
	}
	return thin(ups), thin(turns)
}

// maxPairs bounds the work on long recordings.
const maxPairs = 6000

func thin[T any](v []T) []T {
	every := 1 + len(v)/maxPairs
	if every == 1 {
		return v
	}
	var out []T
	for i := 0; i < len(v); i += every {
		out = append(out, v[i])
	}
	return out
}

// interpolate is the field at time at, between samples k and k+1, and its
// change in µT/s over some samples around.
func interpolate(m []sensors.MagneticSample, k int, at, maxGap time.Duration) (v, rate r3.Vec, ok bool) {
	if k+1 >= len(m) || m[k].At > at || m[k+1].At-m[k].At > maxGap || m[k+1].At <= m[k].At {
		return v, rate, false
	}
	f := float64(at-m[k].At) / float64(m[k+1].At-m[k].At)
	v = r3.Add(r3.Scale(1-f, m[k].FieldUT), r3.Scale(f, m[k+1].FieldUT))
	lo, hi := max(0, k-2), min(len(m)-1, k+3)
	if dt := m[hi].At - m[lo].At; dt > 0 && dt < 5*maxGap {
		rate = r3.Scale(1/dt.Seconds(), r3.Sub(m[hi].FieldUT, m[lo].FieldUT))
	}
	return v, rate, finite(v) && finite(rate)
}
