package recorded

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// brokenError is what is wrong with a recording; nothing comes after it, so it
// is an end as well.
type brokenError struct{ error }

func (b brokenError) Unwrap() error        { return b.error }
func (b brokenError) Is(target error) bool { return target == sensors.ErrEnd }

// Options say how a Player presents a recording.
type Options struct {
	// Name stands for the recording in errors and in String.
	Name string
	// Shift is added to every time of the recording, to lay it onto the clock.
	Shift time.Duration
	// Inertial and Magnetic describe the chips that made the recording; nil
	// takes UnknownInertial and UnknownMagnetic. A RateHz of zero is replaced
	// by the rate found in the recording's first rows.
	Inertial *sensors.InertialSpec
	Magnetic *sensors.MagneticSpec
}

// UnknownInertial is what may be assumed of a consumer chip that nobody named.
// Noise, drift and axis errors are the MPU-6050's (data sheet PS-MPU-6000A,
// rev. 3.4; the gyroscope's as quoted from rev. 3.1), the poorest of those
// supported, its limits taken as 1 sigma.
func UnknownInertial() sensors.InertialSpec {
	const mg = sensors.StandardGravity / 1000
	const deg = math.Pi / 180
	return sensors.InertialSpec{
		Chip:           "unknown accelerometer and gyroscope",
		AccelNoise:     0.4 * mg,
		GyroNoise:      0.005 * deg,
		AccelOffset:    80 * mg,
		AccelDriftPerC: 0.86 * mg,
		AccelCross:     0.03,
		GyroOffset:     20 * deg,
		GyroDriftPerC:  0.16 * deg,
		GyroWander:     30 * deg / 3600,
		HasGyro:        true,
	}
}

// UnknownMagnetic is UnknownInertial for a magnetometer: noise and resolution
// as of a plain Hall or AMR chip (2 mG = 0.2 µT resolution of the QMC5883L), an
// offset as large as a chip without set/reset may have (LIS3MDL, ±1 gauss,
// DocID024204 table 3).
func UnknownMagnetic() sensors.MagneticSpec {
	return sensors.MagneticSpec{
		Chip:     "unknown magnetometer",
		NoiseUT:  0.5,
		FloorUT:  0.2,
		OffsetUT: 100,
	}
}

// previewRows is how many rows the rate is taken from.
const previewRows = 256

// Player plays a recording as an inertial sensor and a magnetometer. A row is
// ready once the clock has reached its time. Each sensor delivers every row, in
// order, however far the clock has moved between two reads; only a sensor that
// lies more than queueLimit samples behind the other one loses its oldest, and
// marks the next as Overrun. Its methods may be called from several goroutines.
type Player struct {
	clock sensors.Clock
	opt   Options

	mu       sync.Mutex
	rows     *Reader
	preview  []Row // read ahead for the rate, not yet played
	next     Row   // first row that is not yet queued; valid unless err is set
	err      error // io.EOF or what is wrong with the recording
	start    time.Duration
	last     time.Duration // time of the newest row queued
	inertial *inertialSensor
	magnetic *magneticSensor
}

// NewPlayer plays rows on clock. It reads the first rows at once.
func NewPlayer(rows *Reader, clock sensors.Clock, opt Options) (*Player, error) {
	if opt.Name == "" {
		opt.Name = "recording"
	}
	p := &Player{clock: clock, opt: opt, rows: rows}
	for len(p.preview) < previewRows {
		row, err := rows.Next()
		if err != nil {
			if len(p.preview) == 0 {
				if err == io.EOF {
					return nil, fmt.Errorf("%s: no rows below the header: nothing to play", opt.Name)
				}
				return nil, fmt.Errorf("%s: %w", opt.Name, err)
			}
			break // the reader keeps the error until these rows were played
		}
		p.preview = append(p.preview, row)
	}
	rate := rateOf(p.preview)
	if rows.HasInertial() {
		spec := UnknownInertial()
		if opt.Inertial != nil {
			spec = *opt.Inertial
		}
		spec.HasGyro = rows.HasGyro()
		spec.RateHz = cmp.Or(spec.RateHz, rate)
		p.inertial = &inertialSensor{p: p, spec: spec}
	}
	if rows.HasMagnetic() {
		spec := UnknownMagnetic()
		if opt.Magnetic != nil {
			spec = *opt.Magnetic
		}
		spec.RateHz = cmp.Or(spec.RateHz, rate)
		p.magnetic = &magneticSensor{p: p, spec: spec}
	}
	p.advance()
	p.start, p.last = p.at(p.next), p.at(p.next)
	return p, nil
}

// rateOf is rows per second by the median distance; 0 when there is no telling.
func rateOf(rows []Row) float64 {
	var d []time.Duration
	for i := 1; i < len(rows); i++ {
		d = append(d, rows[i].T-rows[i-1].T)
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	if m := d[len(d)/2]; m > 0 {
		return 1 / m.Seconds()
	}
	return 0
}

// Inertial is the recording as an inertial sensor, nil when it holds none.
func (p *Player) Inertial() sensors.Inertial {
	if p.inertial == nil {
		return nil
	}
	return p.inertial
}

// Magnetometer is the recording as a magnetometer, nil when it holds none.
func (p *Player) Magnetometer() sensors.Magnetometer {
	if p.magnetic == nil {
		return nil
	}
	return p.magnetic
}

// Start is the clock time of the first row.
func (p *Player) Start() time.Duration { return p.start }

// Last is the clock time of the newest row that was played; at the end of the
// recording, that of its last row.
func (p *Player) Last() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last
}

// NextAt is when the clock must stand for the next sample to be ready: in the
// past while one waits to be read. It is false when the recording is over.
func (p *Player) NextAt() (time.Duration, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	at, ok := p.at(p.next), p.err == nil
	if p.inertial != nil && p.inertial.q.n > 0 {
		if t := p.inertial.q.peek().At; !ok || t < at {
			at, ok = t, true
		}
	}
	if p.magnetic != nil && p.magnetic.q.n > 0 {
		if t := p.magnetic.q.peek().At; !ok || t < at {
			at, ok = t, true
		}
	}
	return at, ok
}

func (p *Player) pending() bool {
	at, ok := p.NextAt()
	return ok && at <= p.clock.Now()
}

// Err is what is wrong with the recording, once it was met; nil while there is
// nothing, and at a regular end.
func (p *Player) Err() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err == nil || p.err == io.EOF {
		return nil
	}
	return fmt.Errorf("%s: %w", p.opt.Name, p.err)
}

func (p *Player) at(r Row) time.Duration { return r.T + p.opt.Shift }

// advance loads the next row.
func (p *Player) advance() {
	if len(p.preview) > 0 {
		p.next, p.preview = p.preview[0], p.preview[1:]
		return
	}
	p.preview = nil
	p.err = p.rows.next(&p.next)
}

// fill queues rows that are ready until have reports true. The error is nil
// when it did.
func (p *Player) fill(have func() bool) error {
	now := p.clock.Now()
	for !have() {
		switch {
		case p.err == io.EOF:
			return sensors.ErrEnd
		case p.err != nil:
			return brokenError{fmt.Errorf("%s: %w", p.opt.Name, p.err)}
		case p.at(p.next) > now:
			return sensors.ErrNoNewData
		}
		p.last = p.at(p.next)
		if p.next.HasInertial && p.inertial != nil {
			s := p.next.Inertial
			s.At += p.opt.Shift
			if clipped(s.Accel, p.inertial.spec.AccelRange) || clipped(s.Gyro, p.inertial.spec.GyroRange) {
				s.Flags |= sensors.Clipped
			}
			p.inertial.q.push(s)
		}
		if p.next.HasMagnetic && p.magnetic != nil {
			s := p.next.Magnetic
			s.At += p.opt.Shift
			if clipped(s.FieldUT, p.magnetic.spec.RangeUT) {
				s.Flags |= sensors.Clipped
			}
			p.magnetic.q.push(s)
		}
		p.advance()
	}
	return nil
}

// clipped allows for rounding in the recording; a full scale of 0 is unknown.
func clipped(v r3.Vec, fullScale float64) bool {
	return fullScale > 0 && max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z)) >= 0.999*fullScale
}
