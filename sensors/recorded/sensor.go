package recorded

import "plumbstar/sensors"

// queueLimit bounds what waits for a sensor that is not read.
const queueLimit = 1024

// queue is a ring of samples; when full, the oldest gives way.
type queue[T any] struct {
	buf     []T
	head, n int
	dropped bool
}

func (q *queue[T]) push(v T) {
	if q.buf == nil {
		q.buf = make([]T, queueLimit)
	}
	if q.n == queueLimit {
		q.pop()
		q.dropped = true
	}
	q.buf[(q.head+q.n)%queueLimit] = v
	q.n++
}

func (q *queue[T]) pop() T {
	v := q.buf[q.head]
	q.head = (q.head + 1) % queueLimit
	q.n--
	return v
}

func (q *queue[T]) peek() *T { return &q.buf[q.head] }

func (q *queue[T]) some() bool { return q.n > 0 }

// lost reports once that samples were dropped.
func (q *queue[T]) lost() bool {
	d := q.dropped
	q.dropped = false
	return d
}

type inertialSensor struct {
	p    *Player
	spec sensors.InertialSpec
	q    queue[sensors.InertialSample]
}

func (s *inertialSensor) String() string             { return s.spec.Chip + " in " + s.p.opt.Name }
func (s *inertialSensor) Halt() error                { return nil }
func (s *inertialSensor) Spec() sensors.InertialSpec { return s.spec }

// Pending reports whether another row is ready now.
func (s *inertialSensor) Pending() bool { return s.p.pending() }

// ReadInertial is the next row that is ready; ErrNoNewData before its time,
// sensors.ErrEnd after the last, an error that names the line when the recording is
// broken there.
func (s *inertialSensor) ReadInertial() (sensors.InertialSample, error) {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	if err := s.p.fill(s.q.some); err != nil {
		return sensors.InertialSample{}, err
	}
	v := s.q.pop()
	if s.q.lost() {
		v.Flags |= sensors.Overrun
	}
	return v, nil
}

type magneticSensor struct {
	p    *Player
	spec sensors.MagneticSpec
	q    queue[sensors.MagneticSample]
}

func (s *magneticSensor) String() string             { return s.spec.Chip + " in " + s.p.opt.Name }
func (s *magneticSensor) Halt() error                { return nil }
func (s *magneticSensor) Spec() sensors.MagneticSpec { return s.spec }

// Pending reports whether another row is ready now.
func (s *magneticSensor) Pending() bool { return s.p.pending() }

// ReadMagnetic is ReadInertial for the field.
func (s *magneticSensor) ReadMagnetic() (sensors.MagneticSample, error) {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	if err := s.p.fill(s.q.some); err != nil {
		return sensors.MagneticSample{}, err
	}
	v := s.q.pop()
	if s.q.lost() {
		v.Flags |= sensors.Overrun
	}
	return v, nil
}
