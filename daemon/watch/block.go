package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// BlockLength is the grid on which samples are averaged.
const BlockLength = 100 * time.Millisecond

// Block is what the sensors read in one tenth of a second, corrected, in body
// axes.
type Block struct {
	// At is the end of the tenth.
	At time.Duration
	// Accel (m/s²) and Gyro (rad/s) are means; AccelVar and GyroVar the variance
	// of single samples about them, averaged over the axes.
	Accel, Gyro       r3.Vec
	AccelVar, GyroVar float64
	// N is how many samples there were, at least 1.
	N int
	// Field is the mean of NField readings of the magnetic field, µT; it means
	// nothing when NField is 0.
	Field  r3.Vec
	NField int
	// TempC is the chip temperature, NaN when not known.
	TempC float64
	// Clipped: a sample stood at the end of its range.
	Clipped bool
}

// assembly gathers samples into blocks on a fixed grid.
type assembly struct {
	cell           int64
	n, nf          int
	accel, gyro    r3.Vec // sums, relative to the first sample
	accel0, gyro0  r3.Vec
	accelSq        float64
	gyroSq         float64
	field          r3.Vec
	temp           float64
	clipped        bool
	last, lastF    time.Duration
	haveA, haveMag bool
}

// Inertial takes one corrected sample in body axes. Blocks close with the first
// sample of the next tenth of a second.
func (w *Watch) Inertial(s sensors.InertialSample) {
	p := &w.part
	if !finite(s.Accel) || !finite(s.Gyro) || (p.haveA && s.At <= p.last) {
		w.refuse++
		return
	}
	p.last, p.haveA = s.At, true
	cell := int64(math.Floor(float64(s.At) / float64(BlockLength)))
	if p.n > 0 && cell != p.cell {
		w.closeBlock()
	}
	if p.n == 0 {
		p.cell = cell
		p.accel0, p.gyro0 = s.Accel, s.Gyro
		p.accel, p.gyro, p.accelSq, p.gyroSq = r3.Vec{}, r3.Vec{}, 0, 0
		p.temp, p.clipped = 0, false
	}
	p.n++
	a, g := r3.Sub(s.Accel, p.accel0), r3.Sub(s.Gyro, p.gyro0)
	p.accel, p.gyro = r3.Add(p.accel, a), r3.Add(p.gyro, g)
	p.accelSq += r3.Norm2(a)
	p.gyroSq += r3.Norm2(g)
	p.temp += s.TempC
	p.clipped = p.clipped || s.Flags.Has(sensors.Clipped)
}

// Magnetic takes one corrected field reading in body axes.
func (w *Watch) Magnetic(s sensors.MagneticSample) {
	p := &w.part
	if !finite(s.FieldUT) || (p.haveMag && s.At <= p.lastF) {
		w.refuse++
		return
	}
	p.lastF, p.haveMag = s.At, true
	if s.Flags.Has(sensors.Clipped) {
		return
	}
	p.field = r3.Add(p.field, s.FieldUT)
	p.nf++
}

func (w *Watch) closeBlock() {
	p := &w.part
	n := float64(p.n)
	ma, mg := r3.Scale(1/n, p.accel), r3.Scale(1/n, p.gyro)
	b := Block{
		At: time.Duration(p.cell+1) * BlockLength, N: p.n,
		Accel: r3.Add(p.accel0, ma), Gyro: r3.Add(p.gyro0, mg),
		TempC: p.temp / n, Clipped: p.clipped,
	}
	if p.n > 1 {
		b.AccelVar = max(p.accelSq-n*r3.Norm2(ma), 0) / (3 * (n - 1))
		b.GyroVar = max(p.gyroSq-n*r3.Norm2(mg), 0) / (3 * (n - 1))
	}
	if p.nf > 0 {
		b.Field, b.NField = r3.Scale(1/float64(p.nf), p.field), p.nf
	}
	p.n, p.nf, p.field = 0, 0, r3.Vec{}
	w.Block(b)
}

func finite(v r3.Vec) bool {
	s := v.X + v.Y + v.Z
	return !math.IsNaN(s) && !math.IsInf(s, 0)
}
