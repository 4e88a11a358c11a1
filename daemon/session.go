package daemon

import (
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// Bounds of what a calibration keeps: ten minutes at 100 Hz and 50 Hz, 7 MB.
// Faster sensors are averaged down to that.
const (
	keepInertial  = 60000
	keepMagnetic  = 30000
	inertialEvery = 9 * time.Millisecond
	magneticEvery = 18 * time.Millisecond
	keepPoses     = 200
)

// session gathers raw samples for one calibration. The loop feeds it; anybody
// may look at it meanwhile. What was kept is never changed, so a look at the
// slices stays valid while more is added.
type session struct {
	kind  CalibrationKind
	mount Mount // of the inertial sensor
	began time.Duration

	mu       sync.Mutex
	last     time.Duration
	inertial []sensors.InertialSample
	magnetic []sensors.MagneticSample
	second   []sensors.MagneticSample // of the second magnetometer
	full     bool
	meanI    inertialMean
	meanM    magneticMean
	mean2    magneticMean
	rest     *calib.RestFinder
	poses    []calib.Pose
	rest2    *calib.RestFinder // of the second accelerometer
	poses2   []calib.Pose
	turn     turning

	look look
}

// newSession takes the spec of the inertial sensor, and of the second one.
func newSession(kind CalibrationKind, mount Mount, spec, spec2 sensors.InertialSpec, now time.Duration) *session {
	return &session{
		kind: kind, mount: mount, began: now, last: now, look: look{poses: -1},
		rest: calib.NewRestFinder(calib.RestOf(spec)), rest2: calib.NewRestFinder(calib.RestOf(spec2)),
	}
}

// seconds is how long the session runs.
func (s *session) seconds() float64 { return (s.last - s.began).Seconds() }

// takeInertial takes one raw sample in the sensor's axes.
func (s *session) takeInertial(x sensors.InertialSample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = max(s.last, x.At)
	if s.full {
		return
	}
	if p, ok := s.rest.Push(x); ok && len(s.poses) < keepPoses {
		s.poses = append(s.poses, p)
	}
	s.turn.take(x, s)
	if m, ok := s.meanI.push(x, inertialEvery); ok {
		s.inertial = append(s.inertial, m)
		s.full = len(s.inertial) >= keepInertial
	}
}

// takeMagnetic is takeInertial for the field.
func (s *session) takeMagnetic(x sensors.MagneticSample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.full {
		return
	}
	if m, ok := s.meanM.push(x, magneticEvery); ok {
		s.magnetic = append(s.magnetic, m)
		s.full = len(s.magnetic) >= keepMagnetic
	}
}

// takeSecondInertial takes the rest poses of the second accelerometer.
func (s *session) takeSecondInertial(x sensors.InertialSample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if p, ok := s.rest2.Push(x); ok && len(s.poses2) < keepPoses {
		s.poses2 = append(s.poses2, p)
	}
}

// takeSecond is takeMagnetic for the second magnetometer, with its bound: what it
// has too much is left out, and no reason to end.
func (s *session) takeSecond(x sensors.MagneticSample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.full || len(s.second) >= keepMagnetic {
		return
	}
	if m, ok := s.mean2.push(x, magneticEvery); ok {
		s.second = append(s.second, m)
	}
}

// allPoses are those found so far and the one of the rest in progress.
func (s *session) allPoses() []calib.Pose {
	out := s.poses[:len(s.poses):len(s.poses)]
	if p, ok := s.rest.Current(); ok {
		out = append(out, p)
	}
	return out
}

// inertialMean averages what comes faster than is kept.
type inertialMean struct {
	sum   sensors.InertialSample
	after time.Duration // of the samples, behind the first
	n     int
}

// push takes a sample and, when it begins a new mean, returns the one before.
func (m *inertialMean) push(x sensors.InertialSample, every time.Duration) (sensors.InertialSample, bool) {
	if m.n > 0 && x.At-m.sum.At < every && x.At >= m.sum.At {
		m.sum.Accel = r3.Add(m.sum.Accel, x.Accel)
		m.sum.Gyro = r3.Add(m.sum.Gyro, x.Gyro)
		m.sum.Flags |= x.Flags
		m.after += x.At - m.sum.At
		m.n++
		return sensors.InertialSample{}, false
	}
	out, ok := m.sum, m.n > 0
	if ok {
		k := 1 / float64(m.n)
		out.Accel, out.Gyro = r3.Scale(k, out.Accel), r3.Scale(k, out.Gyro)
		out.At += m.after / time.Duration(m.n)
	}
	*m = inertialMean{sum: x, n: 1}
	return out, ok
}

// magneticMean is inertialMean for the field.
type magneticMean struct {
	sum   sensors.MagneticSample
	after time.Duration
	n     int
}

func (m *magneticMean) push(x sensors.MagneticSample, every time.Duration) (sensors.MagneticSample, bool) {
	if m.n > 0 && x.At-m.sum.At < every && x.At >= m.sum.At {
		m.sum.FieldUT = r3.Add(m.sum.FieldUT, x.FieldUT)
		m.sum.Flags |= x.Flags
		m.after += x.At - m.sum.At
		m.n++
		return sensors.MagneticSample{}, false
	}
	out, ok := m.sum, m.n > 0
	if ok {
		out.FieldUT = r3.Scale(1/float64(m.n), out.FieldUT)
		out.At += m.after / time.Duration(m.n)
	}
	*m = magneticMean{sum: x, n: 1}
	return out, ok
}

// turning follows by the gyroscope how far the board was turned, about the
// vertical and about the tracker's axis, for a display: no more than a guide
// for the person. Rates count from the first rest on, which gives the zero.
type turning struct {
	at    time.Duration
	known bool // a rest was seen
	zero  r3.Vec
	gyro  bool
	mount reach // about the vertical, clockwise
	head  reach // about the tracker's axis
}

// reach is an angle with the range that it went through, rad.
type reach struct{ angle, lo, hi float64 }

func (r *reach) add(d float64) {
	r.angle += d
	r.lo, r.hi = min(r.lo, r.angle), max(r.hi, r.angle)
}

func (r *reach) span() float64 { return r.hi - r.lo }

func (t *turning) take(x sensors.InertialSample, s *session) {
	t.gyro = t.gyro || x.Gyro != (r3.Vec{})
	if !t.known {
		if p, ok := s.rest.Current(); ok {
			t.known, t.zero = true, p.Gyro
		}
		t.at = x.At
		return
	}
	dt := (x.At - t.at).Seconds()
	t.at = x.At
	n := r3.Norm(x.Accel)
	if !(dt > 0 && dt < 0.2 && n > 0) || math.IsInf(n, 0) {
		return
	}
	w := r3.Scale(dt, r3.Sub(x.Gyro, t.zero))
	if up := r3.Dot(w, x.Accel) / n; !math.IsNaN(up) {
		t.mount.add(-up)
		t.head.add(r3.Dot(w, s.mount[0]))
	}
}
