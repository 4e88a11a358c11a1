package calib

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// track is the board's rotation by the gyroscope alone, relative to its start.
type track struct {
	samples []sensors.InertialSample
	q       []quat.Number // turns vectors of the body at sample i into the start's axes
	turned  []r3.Vec      // sum of rate times time up to sample i, rad, in body axes
	broken  []int         // number of unusable steps up to sample i
}

// newTrack integrates the rates minus bias, by the mean of neighbouring
// samples. Steps over a gap beyond maxGap, or whose rate was clipped or stands
// at the range (0: unknown), count as broken.
func newTrack(samples []sensors.InertialSample, bias r3.Vec, maxGap time.Duration, rangeRadS float64) *track {
	t := &track{
		samples: samples,
		q:       make([]quat.Number, len(samples)),
		turned:  make([]r3.Vec, len(samples)),
		broken:  make([]int, len(samples)),
	}
	for i := range samples {
		if i == 0 {
			t.q[0] = quat.Number{Real: 1}
			continue
		}
		a, b := &samples[i-1], &samples[i]
		dt := b.At - a.At
		w := r3.Sub(r3.Scale(0.5, r3.Add(a.Gyro, b.Gyro)), bias)
		phi := r3.Scale(dt.Seconds(), w)
		t.q[i] = quat.Mul(t.q[i-1], rotQuat(phi))
		t.turned[i] = r3.Add(t.turned[i-1], phi)
		t.broken[i] = t.broken[i-1]
		if dt <= 0 || dt > maxGap || b.Flags.Has(sensors.Clipped) || rangeRadS > 0 && maxAbs(b.Gyro) > 0.995*rangeRadS {
			t.broken[i]++
		}
	}
	return t
}

// finiteOnly drops samples that hold anything not finite; one would spoil a
// whole integration.
func finiteOnly(samples []sensors.InertialSample) []sensors.InertialSample {
	ok := func(s sensors.InertialSample) bool { return finite(s.Accel) && finite(s.Gyro) }
	if !slices.ContainsFunc(samples, func(s sensors.InertialSample) bool { return !ok(s) }) {
		return samples
	}
	var out []sensors.InertialSample
	for _, s := range samples {
		if ok(s) {
			out = append(out, s)
		}
	}
	return out
}

// hasGyro reports whether any rate is there at all.
func hasGyro(samples []sensors.InertialSample) bool {
	for i := range samples {
		if samples[i].Gyro != (r3.Vec{}) {
			return true
		}
	}
	return false
}

func maxAbs(v r3.Vec) float64 { return max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z)) }

// rotQuat is the rotation by |phi| about phi.
func rotQuat(phi r3.Vec) quat.Number {
	a := r3.Norm(phi)
	k := 0.5
	if a > 1e-8 {
		k = math.Sin(a/2) / a
	}
	return quat.Number{Real: math.Cos(a / 2), Imag: k * phi.X, Jmag: k * phi.Y, Kmag: k * phi.Z}
}

// between turns a vector in body axes at sample j into body axes at sample i.
func (t *track) between(i, j int) quat.Number { return quat.Mul(quat.Conj(t.q[i]), t.q[j]) }

// rotate is q v q*.
func rotate(q quat.Number, v r3.Vec) r3.Vec {
	u := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	c := r3.Add(r3.Cross(u, v), r3.Scale(q.Real, v))
	return r3.Add(v, r3.Scale(2, r3.Cross(u, c)))
}

// stable is the mean specific force of the samples lo to hi−1, turned into the
// body axes of sample mid, so that rotation within the stretch does not blur it.
func (t *track) stable(lo, mid, hi int) r3.Vec {
	var s r3.Vec
	for k := lo; k < hi; k++ {
		s = r3.Add(s, rotate(t.between(mid, k), t.samples[k].Accel))
	}
	return r3.Scale(1/float64(hi-lo), s)
}

// SlowPoses cuts a recording into stretches of the given length and frees each
// of its rotation by means of the gyroscope (minus bias, rad/s). A board that
// is turned slowly in the hand so gives poses in directions in which it never
// rested; the hand's acceleration is in them, and FitAccel finds out how much.
// Stretches with clipped values, faster than maxRate (rad/s) or with more than
// 0.8 m/s² of the hand's acceleration are left out.
func SlowPoses(samples []sensors.InertialSample, bias r3.Vec, length time.Duration, maxRate float64) []Pose {
	samples = finiteOnly(samples)
	t := newTrack(samples, bias, 100*time.Millisecond, 0)
	var poses []Pose
	var along []float64
	for lo := 0; lo < len(samples); {
		hi := lo
		var fastest float64
		for hi < len(samples) && samples[hi].At-samples[lo].At < length {
			fastest = max(fastest, r3.Norm(r3.Sub(samples[hi].Gyro, bias)))
			hi++
		}
		if n := hi - lo; n >= 8 && t.broken[hi-1] == t.broken[lo] && fastest <= maxRate && samples[hi-1].At-samples[lo].At > length/2 {
			if p, v, ok := t.slowPose(lo, hi); ok {
				poses, along = append(poses, p), append(along, v)
			}
		}
		lo = hi
	}
	addAlong(poses, along)
	return poses
}

// slowParts is how many parts of a slow pose are compared for its covariance.
const slowParts = 5

// slowPose averages the samples lo to hi−1. Fifths of the stretch scatter by the
// hand's acceleration; what counts for |corrected| = g is the part along
// gravity, which errors of the rotation hardly touch.
func (t *track) slowPose(lo, hi int) (p Pose, along float64, ok bool) {
	mid, n := (lo+hi)/2, hi-lo
	p = Pose{Start: t.samples[lo].At, End: t.samples[hi-1].At, Accel: t.stable(lo, mid, hi), Readings: n, Slow: true}
	u := r3.Unit(p.Accel)
	var across float64
	for k := range slowParts {
		a, b := lo+n*k/slowParts, lo+n*(k+1)/slowParts
		d := r3.Sub(t.stable(a, mid, b), p.Accel)
		x := r3.Dot(d, u)
		along += x * x / (slowParts - 1)
		across += (r3.Norm2(d) - x*x) / 2 / (slowParts - 1)
	}
	for k := lo; k < hi; k++ {
		p.Gyro = r3.Add(p.Gyro, r3.Scale(1/float64(n), t.samples[k].Gyro))
		p.TempC += t.samples[k].TempC / float64(n)
	}
	p.AccelCov = acrossCov(&Mat3{0: across / slowParts, 4: across / slowParts, 8: across / slowParts}, u)
	return p, along, across < 0.8*0.8 && along < 0.8*0.8
}

// addAlong gives every slow pose its variance along gravity. That of five parts
// is a poor estimate, so it is shrunk by half towards the median of all poses.
func addAlong(poses []Pose, along []float64) {
	typical := median(append([]float64(nil), along...))
	for i := range poses {
		u := r3.Unit(poses[i].Accel)
		v := (along[i] + typical) / 2 / slowParts
		c := [3]float64{u.X, u.Y, u.Z}
		for r := range 3 {
			for s := range 3 {
				poses[i].AccelCov[3*r+s] += v * c[r] * c[s]
			}
		}
	}
}
