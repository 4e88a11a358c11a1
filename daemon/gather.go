package daemon

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
)

// gather makes the log's seconds: the means of each, and the raw samples of the
// last ones, which are written around events. The daemon's lock guards it.
type gather struct {
	open    bool
	cell    int64 // of the open second: its number on the monotonic clock
	accel   spread
	gyro    spread
	field   spread
	temp    mean
	ring    [keptSeconds]keptSecond
	next    int           // of ring, the open second
	until   time.Duration // full-rate seconds that begin before are written
	budget  float64       // full-rate seconds that may be written
	filled  time.Duration // when budget was last topped up
	minute  float64       // shake of the newest minute, arcsec, not in a sample yet; NaN: none
	tiltDeg float64       // altitude of the axis by the accelerometer in the newest second; NaN: none
	// skipped counts full-rate seconds for which there was no budget.
	skipped uint64
}

type keptSecond struct {
	nightlog.Second
	done bool // it is complete and was not written
}

const (
	// keptSeconds is how far back full-rate data reach at an event; fullBefore and
	// fullAfter how much is written before it began and after it was told.
	keptSeconds = 20
	fullBefore  = 5 * time.Second
	fullAfter   = 10 * time.Second
	// fullBudget bounds the full-rate data of a stormy night: so many seconds at
	// once, and again in every hour (2.5 kB each at 100 and 50 Hz).
	fullBudget = 300.0
	// sampleMost bounds a second of the fastest sensors.
	sampleMost = 1024
	// lateAfter closes a second in which nothing more came.
	lateAfter = 500 * time.Millisecond
)

// mean and spread sum up relative to the first value, so that nothing is lost.
type mean struct {
	first, sum float64
	n          int
}

func (m *mean) add(v float64) {
	if math.IsNaN(v) {
		return
	}
	if m.n == 0 {
		m.first = v
	}
	m.sum += v - m.first
	m.n++
}

func (m *mean) value() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.first + m.sum/float64(m.n)
}

// spread is the mean of raw and corrected vectors, and how the raw ones scatter.
type spread struct {
	first, sum, square r3.Vec
	firstC, sumC       r3.Vec
	n                  int
}

func (s *spread) add(raw, corrected r3.Vec) {
	if s.n == 0 {
		*s = spread{first: raw, firstC: corrected}
	}
	d := r3.Sub(raw, s.first)
	s.sum = r3.Add(s.sum, d)
	s.square = r3.Add(s.square, r3.Vec{X: d.X * d.X, Y: d.Y * d.Y, Z: d.Z * d.Z})
	s.sumC = r3.Add(s.sumC, r3.Sub(corrected, s.firstC))
	s.n++
}

// reading is the second's; what was not measured stays not known.
func (s *spread) reading(r *nightlog.Reading) {
	if s.n == 0 {
		return
	}
	n := float64(s.n)
	m := r3.Scale(1/n, s.sum)
	r.Raw = r3.Add(s.first, m)
	r.Corrected = r3.Add(s.firstC, r3.Scale(1/n, s.sumC))
	if s.n > 1 {
		dev := func(square, mean float64) float64 { return math.Sqrt(max(square-n*mean*mean, 0) / (n - 1)) }
		r.Spread = r3.Vec{X: dev(s.square.X, m.X), Y: dev(s.square.Y, m.Y), Z: dev(s.square.Z, m.Z)}
	}
}

// noteInertial takes one sample as the chip delivered it, and as it was corrected.
func (d *Daemon) noteInertial(raw, x sensors.InertialSample) {
	g := &d.gather
	cell := int64(math.Floor(raw.At.Seconds()))
	if g.open && cell > g.cell {
		d.closeSecond()
	}
	if !g.open {
		g.begin(cell)
	}
	g.accel.add(raw.Accel, x.Accel)
	g.gyro.add(raw.Gyro, x.Gyro)
	g.temp.add(x.TempC)
	if s := &g.ring[g.next]; len(s.Inertial) < sampleMost {
		s.Inertial = append(s.Inertial, raw)
	}
}

// noteMagnetic is noteInertial for the field.
func (d *Daemon) noteMagnetic(raw, x sensors.MagneticSample) {
	g := &d.gather
	if !g.open {
		g.begin(int64(math.Floor(raw.At.Seconds())))
	}
	g.field.add(raw.FieldUT, x.FieldUT)
	if s := &g.ring[g.next]; len(s.Magnetic) < sampleMost {
		s.Magnetic = append(s.Magnetic, raw)
	}
}

func (g *gather) begin(cell int64) {
	g.open, g.cell = true, cell
	g.accel, g.gyro, g.field, g.temp = spread{}, spread{}, spread{}, mean{}
	s := &g.ring[g.next]
	s.done, s.At, s.Inertial, s.Magnetic = false, time.Duration(cell)*time.Second, s.Inertial[:0], s.Magnetic[:0]
}

// closeLate ends a second of a sensor that fell silent, so that the log says so.
func (d *Daemon) closeLate(now time.Duration) {
	g := &d.gather
	if !g.open {
		g.begin(int64(math.Floor(now.Seconds())))
	}
	if now >= time.Duration(g.cell+1)*time.Second+lateAfter {
		d.closeSecond()
		g.begin(int64(math.Floor(now.Seconds())))
	}
}

// closeSecond writes the open second and keeps its raw samples for a while.
func (d *Daemon) closeSecond() {
	g := &d.gather
	g.open = false
	at := time.Duration(g.cell) * time.Second
	g.ring[g.next].done = true
	newest := g.next
	g.tiltDeg = math.NaN()
	if g.accel.n > 0 {
		var r nightlog.Reading
		g.accel.reading(&r)
		g.tiltDeg = math.Asin(r.Corrected.X/r3.Norm(r.Corrected)) / degree
	}
	g.next = (g.next + 1) % keptSeconds
	if d.nights.on {
		d.opt.Journal.Sample(d.sample(at + time.Second/2))
		if at < g.until {
			d.writeFullRate(&g.ring[newest])
		}
	}
}

// sample is the open second with what the newest snapshot says of the axis.
func (d *Daemon) sample(middle time.Duration) nightlog.Sample {
	g := &d.gather
	s := nightlog.NewSample(middle)
	g.accel.reading(&s.Accel)
	g.gyro.reading(&s.Gyro)
	g.field.reading(&s.Field)
	s.TempC = g.temp.value()
	if g.accel.n > 1 {
		s.VibrationMS2 = r3.Norm(s.Accel.Spread)
	}
	s.ShakeArcsec, g.minute = g.minute, math.NaN()
	snap := d.hub.newest()
	if snap == nil {
		return s
	}
	e := &snap.Estimate
	s.State = string(e.State)
	s.AxisAltitude, s.AxisAzimuth, s.AxisRoll = logAngle(e.Altitude), logAngle(e.Azimuth), logAngle(e.Roll)
	s.Error = logAngle(snap.Guidance.Error)
	s.StrengthUT, s.DipDeg = e.FieldUT, e.DipDeg
	return s
}

func logAngle(q estimator.Quantity) nightlog.Angle {
	if !q.Known {
		return nightlog.Angle{Deg: math.NaN(), SigmaDeg: math.NaN()}
	}
	return nightlog.Angle{Deg: q.Deg, SigmaDeg: q.SigmaDeg}
}

// keepFullRate writes the raw samples before an event that began at a time, and
// those that follow now.
func (d *Daemon) keepFullRate(began, now time.Duration) {
	g := &d.gather
	if d.opt.Journal == nil || !d.nights.on {
		return
	}
	g.until = max(g.until, now+fullAfter)
	for i := range keptSeconds {
		s := &g.ring[(g.next+i)%keptSeconds]
		if s.done && s.At+time.Second > began-fullBefore {
			d.writeFullRate(s)
		}
	}
}

func (d *Daemon) writeFullRate(s *keptSecond) {
	g := &d.gather
	s.done = false
	g.budget = min(fullBudget, g.budget+fullBudget*(s.At-g.filled).Hours())
	g.filled = s.At
	if g.budget < 1 {
		g.skipped++
		return
	}
	g.budget--
	d.opt.Journal.FullRate(s.Second)
}
