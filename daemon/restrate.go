package daemon

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// restRate is the gyroscope's offset during a turn: that of the rest before it
// and, where the mount also rests at the end, a line between the two. A board in
// the cold drifts: by 0.3°/s for each °C, as the data sheet of the MPU-6050 has
// it, which is tens of degrees within a turn.
type restRate struct {
	first, slope r3.Vec // rad/s, and per second since at
	at           time.Duration
}

const (
	// endRest is how long the mount must have stood at the end.
	endRest = time.Second
	// endRateRad is by how much the offset may have changed: 3°/s.
	endRateRad = 3 * math.Pi / 180
	// endTurnRad is by how much the field may turn within endRest if the mount
	// stands: 0.4°, so that a slow turn is not taken for the offset.
	endTurnRad = 0.4 * math.Pi / 180
)

// restRateOf learns it from samples that begin with a rest of restBefore.
func restRateOf(inertial []sensors.InertialSample, magnetic []sensors.MagneticSample) restRate {
	if len(inertial) == 0 {
		return restRate{}
	}
	begin, end := inertial[0].At, inertial[len(inertial)-1].At
	first, scatter, _ := meanRate(inertial, begin, begin+restBefore)
	r := restRate{first: first, at: begin + restBefore/2}
	if end-begin < 2*restBefore+endRest || !stands(magnetic, end) {
		return r
	}
	last, scatterLast, n := meanRate(inertial, end-endRest, end)
	change := r3.Sub(last, first)
	if n < 10 || scatterLast > 2*scatter || r3.Norm(change) > endRateRad {
		return r
	}
	r.slope = r3.Scale(1/(end-endRest/2-r.at).Seconds(), change)
	return r
}

// now is the offset at a time.
func (r *restRate) now(at time.Duration) r3.Vec {
	return r3.Add(r.first, r3.Scale((at-r.at).Seconds(), r.slope))
}

// meanRate is the mean rate from one time to another, and how one sample scatters
// about it on the worst axis, 1 sigma.
func meanRate(inertial []sensors.InertialSample, from, to time.Duration) (mean r3.Vec, scatter float64, n int) {
	var m2 r3.Vec
	for i := range inertial {
		s := &inertial[i]
		if s.At < from || s.At > to {
			continue
		}
		n++
		d := r3.Sub(s.Gyro, mean)
		mean = r3.Add(mean, r3.Scale(1/float64(n), d))
		e := r3.Sub(s.Gyro, mean)
		m2 = r3.Add(m2, r3.Vec{X: d.X * e.X, Y: d.Y * e.Y, Z: d.Z * e.Z})
	}
	if n < 2 {
		return mean, math.Inf(1), n
	}
	return mean, math.Sqrt(max(m2.X, m2.Y, m2.Z) / float64(n-1)), n
}

// stands reports that the field has kept its direction over the last endRest.
func stands(magnetic []sensors.MagneticSample, end time.Duration) bool {
	var half [2]r3.Vec
	var n [2]int
	for i := range magnetic {
		if age := end - magnetic[i].At; age >= 0 && age < endRest {
			k := 1
			if age > endRest/2 {
				k = 0
			}
			half[k], n[k] = r3.Add(half[k], magnetic[i].FieldUT), n[k]+1
		}
	}
	if n[0] == 0 || n[1] == 0 {
		return false
	}
	return math.Atan2(r3.Norm(r3.Cross(half[0], half[1])), r3.Dot(half[0], half[1])) < endTurnRad
}

// quietest is the latest stretch of that length between two times in which the
// gyroscope scatters no more than in its quietest one: a turn about the vertical
// that begins gently is no longer rest although gravity does not show it. It
// returns the index of its first sample.
func quietest(inertial []sensors.InertialSample, from, to, length time.Duration) (first int, ok bool) {
	const step = 250 * time.Millisecond
	type stretch struct {
		at      time.Duration
		scatter float64
	}
	var all []stretch
	least := math.Inf(1)
	for at := to - length; at >= from; at -= step {
		_, scatter, n := meanRate(inertial, at, at+length)
		if n < 10 {
			continue
		}
		all = append(all, stretch{at, scatter})
		least = min(least, scatter)
	}
	for _, s := range all {
		if s.scatter > 1.3*least {
			continue
		}
		for i := range inertial {
			if inertial[i].At >= s.at {
				return i, true
			}
		}
	}
	return 0, false
}
