package sensortest

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbstar/sensors"
)

// Live is the part of the contract that a sensor on a real bus can show, lying
// still for as long as long, away from magnets: it delivers at its rate, without
// faults or flags, values that are physically possible, with noise but not too
// much of it.
//
// Gravity may be off by 15 % (offset and scale of an uncalibrated chip), the
// field may be anything from 15 to 300 µT (steel and the chip's own offset), the
// rate by 12 % (the chip's own clock), and noise ten times that of the data
// sheet (vibration of a house): common practice, no source.
func Live(t *testing.T, clock sensors.Clock, dev any, long time.Duration) {
	t.Helper()
	var rateHz float64
	var noise []float64 // expected 1 sigma per vector
	var inertial bool
	var read func() (sample, error)
	switch d := dev.(type) {
	case sensors.Inertial:
		s := d.Spec()
		rateHz = s.RateHz
		band := math.Sqrt(s.RateHz / 2)
		noise = []float64{s.AccelNoise * band}
		if s.HasGyro {
			noise = append(noise, s.GyroNoise*band)
		}
		inertial = true
		read = func() (sample, error) {
			s, err := d.ReadInertial()
			return sample{at: s.At, a: s.Accel, b: s.Gyro, tempC: s.TempC, flags: s.Flags}, err
		}
	case sensors.Magnetometer:
		s := d.Spec()
		rateHz = s.RateHz
		noise = []float64{s.NoiseUT}
		read = func() (sample, error) {
			s, err := d.ReadMagnetic()
			return sample{at: s.At, a: s.FieldUT, tempC: s.TempC, flags: s.Flags}, err
		}
	default:
		t.Fatalf("%T is no sensor", dev)
	}
	got := collect(t, clock, read, long, time.Duration(float64(time.Second)/rateHz/4))
	if len(got) < 10 {
		t.Fatalf("%d samples in %v", len(got), long)
	}
	if r := float64(len(got)-1) / (got[len(got)-1].at - got[0].at).Seconds(); math.Abs(r/rateHz-1) > 0.12 {
		t.Errorf("%.2f samples a second, Spec says %.2f", r, rateHz)
	}
	mean := spread(t, "first", got, func(s sample) r3.Vec { return s.a }, noise[0])
	if len(noise) == 2 {
		turn := spread(t, "second", got, func(s sample) r3.Vec { return s.b }, noise[1])
		if r3.Norm(turn) > 0.5 {
			t.Errorf("at rest it turns with %.3f rad/s", turn)
		}
	}
	if inertial {
		if g := r3.Norm(mean) / sensors.StandardGravity; math.Abs(g-1) > 0.15 {
			t.Errorf("at rest it measures %.3f g", g)
		}
	} else if b := r3.Norm(mean); b < 15 || b > 300 {
		t.Errorf("a field of %.1f µT", b)
	}
	if temp := got[len(got)-1].tempC; temp < -30 || temp > 70 {
		t.Errorf("a chip temperature of %.1f °C", temp)
	}
	if c, ok := dev.(interface{ CheckConfig() error }); ok {
		if err := c.CheckConfig(); err != nil {
			t.Error(err)
		}
	}
}

func collect(t *testing.T, clock sensors.Clock, read func() (sample, error), long, step time.Duration) []sample {
	t.Helper()
	var got []sample
	var last time.Duration
	for end := clock.Now() + long; clock.Now() < end; clock.Sleep(step) {
		s, err := read()
		if errors.Is(err, sensors.ErrNoNewData) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if s.at < last {
			t.Errorf("sample time %v after %v", s.at, last)
		}
		// A busy machine may miss a sample; the other flags are faults.
		if s.flags.Has(sensors.Clipped) || s.flags.Has(sensors.Repeated) {
			t.Errorf("flags %b at %v", s.flags, s.at)
		}
		last = s.at
		got = append(got, s)
	}
	return got
}

// spread checks the noise on every axis and gives the mean.
func spread(t *testing.T, what string, got []sample, of func(sample) r3.Vec, expected float64) r3.Vec {
	t.Helper()
	var axes [3][]float64
	for _, s := range got {
		v := of(s)
		axes[0], axes[1], axes[2] = append(axes[0], v.X), append(axes[1], v.Y), append(axes[2], v.Z)
	}
	var mean [3]float64
	for i, a := range axes {
		m, sd := stat.MeanStdDev(a, nil)
		mean[i] = m
		if !(sd > 0 && sd < 10*expected) {
			t.Errorf("%s vector, axis %d: noise %.3g, the data sheet says about %.3g", what, i, sd, expected)
		}
	}
	return r3.Vec{X: mean[0], Y: mean[1], Z: mean[2]}
}
