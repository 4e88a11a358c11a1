package sensortest

import (
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Inertial is the contract of an accelerometer with a gyroscope, or without one
// where GyroDPS is empty.
type Inertial struct {
	// Chip is the name that Spec gives.
	Chip string
	// Rig makes a fresh chip on a fresh bus; Wrong one on which another chip
	// answers at the same address.
	Rig, Wrong func(testing.TB) *Rig
	// Open is the constructor; zeros mean the default ranges.
	Open func(r *Rig, accelG, gyroDPS int) (sensors.Inertial, error)
	// AccelG and GyroDPS are ranges, from the smallest to the largest.
	AccelG, GyroDPS []int
	// NoTemp: the chip has no thermometer.
	NoTemp bool
	// Ends says where a range ends as a multiple of its name; 1 when zero.
	AccelEnds, GyroEnds float64
}

// Run runs the whole contract.
func (c Inertial) Run(t *testing.T) {
	cm := common{rig: c.Rig, wrong: c.Wrong, open: func(r *Rig) (*subject, error) { return c.open(r, 0, 0) }, perSecond: 1}
	cm.run(t)
	t.Run("specification", c.specification)
	t.Run("scale and sign", c.scale)
	t.Run("ranges up and down", c.ranges)
	t.Run("refuses other ranges", c.otherRanges)
}

func (c Inertial) open(r *Rig, accelG, gyroDPS int) (*subject, error) {
	dev, err := c.Open(r, accelG, gyroDPS)
	if err != nil {
		return nil, err
	}
	spec := dev.Spec()
	return &subject{Resource: dev, chip: spec.Chip, rateHz: spec.RateHz, read: func() (sample, error) {
		s, err := dev.ReadInertial()
		return sample{at: s.At, a: s.Accel, b: s.Gyro, tempC: s.TempC, flags: s.Flags}, err
	}}, nil
}

func (c Inertial) hasGyro() bool { return len(c.GyroDPS) > 0 }

// turn is a rate as the chip shows it: none without a gyroscope.
func (c Inertial) turn(w r3.Vec) r3.Vec {
	if !c.hasGyro() {
		return r3.Vec{}
	}
	return w
}

func (c Inertial) specification(t *testing.T) {
	r := c.Rig(t)
	dev, err := c.Open(r, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	s := dev.Spec()
	if s.Chip != c.Chip || s.HasGyro != c.hasGyro() {
		t.Errorf("Spec: chip %q, gyroscope %v, want %q, %v", s.Chip, s.HasGyro, c.Chip, c.hasGyro())
	}
	if !c.hasGyro() && (s.GyroNoise != 0 || s.GyroOffset != 0 || s.GyroScale != 0 || s.GyroRange != 0) {
		t.Errorf("figures of a gyroscope that is not there: %+v", s)
	}
	for name, v := range map[string]float64{
		"RateHz": s.RateHz, "AccelNoise": s.AccelNoise, "GyroNoise": s.GyroNoise, "AccelOffset": s.AccelOffset,
		"AccelDriftPerC": s.AccelDriftPerC, "AccelCross": s.AccelCross, "GyroOffset": s.GyroOffset,
		"AccelRange": s.AccelRange, "GyroRange": s.GyroRange,
	} {
		if strings.HasPrefix(name, "Gyro") && !c.hasGyro() {
			continue
		}
		if !(v > 0) || math.IsInf(v, 0) {
			t.Errorf("Spec.%s = %v", name, v)
		}
	}
}

// scale holds the readings against the world on every axis, alone and together.
func (c Inertial) scale(t *testing.T) {
	r := c.Rig(t)
	s := common{open: func(r *Rig) (*subject, error) { return c.open(r, 0, 0) }}.must(t, r)
	for _, axis := range append(axes(), r3.Vec{X: 0.5, Y: -0.6, Z: 0.7}) {
		w := World{Force: r3.Scale(sensors.StandardGravity, axis), Rate: r3.Scale(1.2, axis), TempC: 31}
		r.Place(w)
		r.Clock.Sleep(time.Second)
		got, _, flags := s.mean(t, r, 50)
		near(t, "specific force", got.a, w.Force, 0.03)
		near(t, "angular rate", got.b, c.turn(w.Rate), 0.005)
		if c.NoTemp && !math.IsNaN(got.tempC) {
			t.Errorf("temperature %.2f °C from a chip without a thermometer", got.tempC)
		} else if !c.NoTemp && !(math.Abs(got.tempC-w.TempC) <= 0.3) {
			t.Errorf("temperature %.2f °C, want %.2f", got.tempC, w.TempC)
		}
		if flags.Has(sensors.Clipped) {
			t.Errorf("clipped at 1 g and 69 °/s")
		}
	}
}

// ranges opens the same chip with every range, up and down again, so that bits
// left over from a range before would show.
func (c Inertial) ranges(t *testing.T) {
	r := c.Rig(t)
	accelEnd, gyroEnd := c.AccelEnds, c.GyroEnds
	if accelEnd == 0 {
		accelEnd = 1
	}
	if gyroEnd == 0 {
		gyroEnd = 1
	}
	n := max(len(c.AccelG), len(c.GyroDPS))
	for step := range 2*n - 1 {
		i := min(step, 2*n-2-step)
		g, dps := c.AccelG[min(i, len(c.AccelG)-1)], 0
		if c.hasGyro() {
			dps = c.GyroDPS[min(i, len(c.GyroDPS)-1)]
		}
		full := float64(g) * sensors.StandardGravity
		turn := float64(dps) * math.Pi / 180
		// The very first sample must be in the new range already.
		first := World{Force: r3.Scale(0.9*full, axes()[0]), Rate: r3.Scale(0.9*turn, axes()[0]), TempC: 20}
		r.Place(first)
		s, err := c.open(r, g, dps)
		if err != nil {
			t.Fatalf("%d g, %d °/s: %v", g, dps, err)
		}
		got := s.next(t, r)
		near(t, "first specific force", got.a, first.Force, 0.0005*full+0.05)
		near(t, "first angular rate", got.b, first.Rate, 0.001*turn+0.005)
		for _, axis := range axes() {
			w := World{Force: r3.Scale(0.9*full, axis), Rate: r3.Scale(0.9*turn, axis), TempC: 20}
			r.Place(w)
			r.Clock.Sleep(time.Second)
			got, _, flags := s.mean(t, r, 10)
			near(t, "specific force", got.a, w.Force, 0.0005*full+0.02)
			near(t, "angular rate", got.b, w.Rate, 0.001*turn+0.002)
			if flags.Has(sensors.Clipped) {
				t.Errorf("%d g, %d °/s: clipped at 90 %%", g, dps)
			}
			beyond := []World{{Force: r3.Scale(1.1*accelEnd*full, axis), TempC: 20}}
			if c.hasGyro() {
				beyond = append(beyond, World{Rate: r3.Scale(1.1*gyroEnd*turn, axis), TempC: 20})
			}
			for _, over := range beyond {
				r.Place(over)
				r.Clock.Sleep(time.Second)
				if _, all, _ := s.mean(t, r, 5); !all.Has(sensors.Clipped) {
					t.Errorf("%d g, %d °/s: not flagged at 110 %% of %v", g, dps, over)
				}
			}
		}
	}
}

func (c Inertial) otherRanges(t *testing.T) {
	r := c.Rig(t)
	_, err := c.Open(r, 3, 0)
	checkFault(t, "3 g", err, sensors.FaultSetting, false)
	if c.hasGyro() {
		_, err = c.Open(r, 0, 300)
		checkFault(t, "300 °/s", err, sensors.FaultSetting, false)
	}
}
