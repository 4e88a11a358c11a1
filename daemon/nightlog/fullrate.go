package nightlog

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Second is the samples of about one second around an event, as the chips
// delivered them, in their own axes. Seconds that follow each other must not
// overlap. Values keep six decimals (field: three), temperatures two.
type Second struct {
	At       time.Duration // where the second begins, on the monotonic clock
	Inertial []sensors.InertialSample
	Magnetic []sensors.MagneticSample
}

// The stored form is a version byte, then per sensor the number of samples and
// the samples, every number as the difference from the one before it, in small
// units, as a variable-length integer: about 19 bytes an inertial sample.
const secondVersion = 1

const (
	unitAccel = 1e6 // µm/s²
	unitGyro  = 1e6 // µrad/s
	unitField = 1e3 // nT
	unitTemp  = 1e2 // 0.01 °C
	// noTemp stands for a temperature that is not known.
	noTemp = math.MinInt32
	// mostPerSecond bounds what a damaged file can ask for.
	mostPerSecond = 100_000
)

var errSecond = errors.New("a full-rate second is damaged")

// deltas writes or reads numbers as differences.
type deltas struct {
	b    []byte
	last [8]int64
	bad  bool
}

func (d *deltas) put(k int, v int64) {
	d.b = binary.AppendVarint(d.b, v-d.last[k])
	d.last[k] = v
}

func (d *deltas) get(k int) int64 {
	v, n := binary.Varint(d.b)
	if n <= 0 {
		d.bad = true
		return 0
	}
	d.b = d.b[n:]
	d.last[k] += v
	return d.last[k]
}

func (d *deltas) putVec(k int, v r3.Vec, unit float64) {
	for i, x := range [3]float64{v.X, v.Y, v.Z} {
		d.put(k+i, int64(math.Round(x*unit)))
	}
}

func (d *deltas) getVec(k int, unit float64) r3.Vec {
	x, y, z := d.get(k), d.get(k+1), d.get(k+2)
	return r3.Vec{X: float64(x) / unit, Y: float64(y) / unit, Z: float64(z) / unit}
}

func (d *deltas) putTemp(k int, c float64) {
	v := int64(noTemp)
	if x := math.Round(c * unitTemp); math.Abs(x) < -noTemp {
		v = int64(x)
	}
	d.put(k, v)
}

func (d *deltas) getTemp(k int) float64 {
	if v := d.get(k); v != noTemp {
		return float64(v) / unitTemp
	}
	return math.NaN()
}

// usable: vectors that are no numbers, or beyond any chip, cannot be stored.
func usable(v ...r3.Vec) bool {
	for _, x := range v {
		if !(r3.Norm(x) < most/unitAccel) {
			return false
		}
	}
	return true
}

func encodeSecond(s Second) []byte {
	in := slices.DeleteFunc(slices.Clone(s.Inertial), func(x sensors.InertialSample) bool { return !usable(x.Accel, x.Gyro) })
	mag := slices.DeleteFunc(slices.Clone(s.Magnetic), func(x sensors.MagneticSample) bool { return !usable(x.FieldUT) })
	d := deltas{b: append(make([]byte, 0, 32+18*len(in)+10*len(mag)), secondVersion)}
	d.b = binary.AppendUvarint(d.b, uint64(len(in)))
	for _, x := range in {
		d.put(0, int64((x.At-s.At)/time.Microsecond))
		d.putVec(1, x.Accel, unitAccel)
		d.putVec(4, x.Gyro, unitGyro)
		d.putTemp(7, x.TempC)
		d.b = append(d.b, byte(x.Flags))
	}
	d.last = [8]int64{}
	d.b = binary.AppendUvarint(d.b, uint64(len(mag)))
	for _, x := range mag {
		d.put(0, int64((x.At-s.At)/time.Microsecond))
		d.putVec(1, x.FieldUT, unitField)
		d.putTemp(7, x.TempC)
		d.b = append(d.b, byte(x.Flags))
	}
	return d.b
}

func decodeSecond(at time.Duration, b []byte) (Second, error) {
	s := Second{At: at}
	if len(b) == 0 || b[0] != secondVersion {
		return s, errSecond
	}
	d := deltas{b: b[1:]}
	for range d.count() {
		var x sensors.InertialSample
		x.At = at + time.Duration(d.get(0))*time.Microsecond
		x.Accel, x.Gyro = d.getVec(1, unitAccel), d.getVec(4, unitGyro)
		x.TempC, x.Flags = d.getTemp(7), sensors.Flags(d.byte())
		if d.bad {
			return Second{At: at}, errSecond
		}
		s.Inertial = append(s.Inertial, x)
	}
	d.last = [8]int64{}
	for range d.count() {
		var x sensors.MagneticSample
		x.At = at + time.Duration(d.get(0))*time.Microsecond
		x.FieldUT = d.getVec(1, unitField)
		x.TempC, x.Flags = d.getTemp(7), sensors.Flags(d.byte())
		if d.bad {
			return Second{At: at}, errSecond
		}
		s.Magnetic = append(s.Magnetic, x)
	}
	if d.bad || len(d.b) > 0 {
		return Second{At: at}, errSecond
	}
	return s, nil
}

func (d *deltas) count() int {
	n, size := binary.Uvarint(d.b)
	if size <= 0 || n > mostPerSecond {
		d.bad = true
		return 0
	}
	d.b = d.b[size:]
	return int(n)
}

func (d *deltas) byte() byte {
	if len(d.b) == 0 {
		d.bad = true
		return 0
	}
	v := d.b[0]
	d.b = d.b[1:]
	return v
}
