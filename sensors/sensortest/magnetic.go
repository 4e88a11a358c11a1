package sensortest

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Magnetometer is the contract of a magnetometer.
type Magnetometer struct {
	// Chip is the name that Spec gives.
	Chip string
	// Rig makes a fresh chip on a fresh bus; Wrong one on which another chip
	// answers at the same address.
	Rig, Wrong func(testing.TB) *Rig
	// Open is the constructor; a zero means the default range.
	Open func(r *Rig, rangeGauss float64) (sensors.Magnetometer, error)
	// RangesGauss from the smallest to the largest; one when the chip has one.
	RangesGauss []float64
	// EndsAt says beyond which multiple of its range the chip must flag a field;
	// 1 when zero.
	EndsAt float64
	// ScaleTol is the relative error of the scale that the chip's own trim
	// leaves.
	ScaleTol float64
	// HasTemp: samples carry the chip temperature.
	HasTemp bool
	// StatusApart: the data sheet allows no burst over status and data, so that a
	// sample takes two transfers. TempSingly: the two bytes of the temperature take
	// a transfer each.
	StatusApart, TempSingly bool
}

// Run runs the whole contract.
func (c Magnetometer) Run(t *testing.T) {
	cm := common{rig: c.Rig, wrong: c.Wrong, open: func(r *Rig) (*subject, error) { return c.open(r, 0) }, perSecond: 1}
	if c.TempSingly {
		cm.perSecond = 2
	}
	if c.StatusApart {
		cm.perSample = 1
	}
	cm.run(t)
	t.Run("specification", c.specification)
	t.Run("scale and sign", c.scale)
	t.Run("ranges up and down", c.ranges)
}

func (c Magnetometer) open(r *Rig, gauss float64) (*subject, error) {
	dev, err := c.Open(r, gauss)
	if err != nil {
		return nil, err
	}
	spec := dev.Spec()
	return &subject{Resource: dev, chip: spec.Chip, rateHz: spec.RateHz, read: func() (sample, error) {
		s, err := dev.ReadMagnetic()
		return sample{at: s.At, a: s.FieldUT, tempC: s.TempC, flags: s.Flags}, err
	}}, nil
}

func (c Magnetometer) specification(t *testing.T) {
	dev, err := c.Open(c.Rig(t), 0)
	if err != nil {
		t.Fatal(err)
	}
	s := dev.Spec()
	if s.Chip != c.Chip {
		t.Errorf("Spec: chip %q, want %q", s.Chip, c.Chip)
	}
	if !(s.RateHz > 0 && s.NoiseUT > 0 && s.RangeUT > 60 && s.FloorUT >= 0 && s.OffsetUT >= 0) {
		t.Errorf("Spec = %+v", s)
	}
}

func (c Magnetometer) scale(t *testing.T) {
	r := c.Rig(t)
	s := common{open: func(r *Rig) (*subject, error) { return c.open(r, 0) }}.must(t, r)
	for _, axis := range append(axes(), r3.Vec{X: 0.5, Y: -0.6, Z: 0.7}) {
		w := World{FieldUT: r3.Scale(55, axis), TempC: 31}
		r.Place(w)
		r.Clock.Sleep(1100 * time.Millisecond)
		s.mean(t, r, 5)
		got, _, flags := s.mean(t, r, 50)
		near(t, "field", got.a, w.FieldUT, 0.25+55*c.ScaleTol)
		if flags.Has(sensors.Clipped) {
			t.Errorf("clipped at 55 µT")
		}
		if c.HasTemp != !math.IsNaN(got.tempC) {
			t.Errorf("temperature %v, expected: %v", got.tempC, c.HasTemp)
		}
		if c.HasTemp && math.Abs(got.tempC-w.TempC) > 0.3 {
			t.Errorf("temperature %.2f °C, want %.2f", got.tempC, w.TempC)
		}
	}
}

// ranges opens the same chip with every range, up and down again, so that bits
// left over from a range before would show.
func (c Magnetometer) ranges(t *testing.T) {
	r := c.Rig(t)
	end := c.EndsAt
	if end == 0 {
		end = 1
	}
	n := len(c.RangesGauss)
	for step := range 2*n - 1 {
		gauss := c.RangesGauss[min(step, 2*n-2-step)]
		full := 100 * gauss
		tol := 0.3 + full*(0.0005+c.ScaleTol)
		// The very first sample must be in the new range already.
		first := World{FieldUT: r3.Scale(0.85*full, axes()[0]), TempC: 20}
		r.Place(first)
		s, err := c.open(r, gauss)
		if err != nil {
			t.Fatalf("%g G: %v", gauss, err)
		}
		near(t, "first sample", s.next(t, r).a, first.FieldUT, tol+0.8)
		for _, axis := range axes() {
			w := World{FieldUT: r3.Scale(0.85*full, axis), TempC: 20}
			r.Place(w)
			r.Clock.Sleep(10 * s.period())
			got, _, flags := s.mean(t, r, 10)
			near(t, "field", got.a, w.FieldUT, tol)
			if flags.Has(sensors.Clipped) {
				t.Errorf("%g G: clipped at 85 %%", gauss)
			}
			r.Place(World{FieldUT: r3.Scale(1.1*end*full, axis), TempC: 20})
			r.Clock.Sleep(10 * s.period())
			if _, all, _ := s.mean(t, r, 5); !all.Has(sensors.Clipped) {
				t.Errorf("%g G: not flagged at 110 %% on %v", gauss, axis)
			}
		}
	}
}
