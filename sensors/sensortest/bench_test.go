package sensortest_test

import (
	"testing"
	"time"

	"plumbstar/sensors/adxl355"
	"plumbstar/sensors/icm20948"
	"plumbstar/sensors/lsm303accel"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/lsm6dsv16x"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/mpu9250"
	"plumbstar/sensors/sim"
)

// The benchmarks read one new sample per iteration over the simulated bus; most
// of the time goes into the simulated chip, which draws its noise then.

func BenchmarkReadMPU6050(b *testing.B) {
	r := rig(mpu9250.Addr, mpu9250.Addr, sim.NewMPU6050)(b)
	d, err := mpu9250.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func BenchmarkReadLSM6DSO(b *testing.B) {
	r := rig(lsm6dso.Addr, lsm6dso.Addr, sim.NewLSM6DSO)(b)
	d, err := lsm6dso.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func BenchmarkReadMMC5983MA(b *testing.B) {
	r := rig(mmc5983ma.Addr, mmc5983ma.Addr, sim.NewMMC5983MA)(b)
	d, err := mmc5983ma.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadMagnetic(); return err })
}

func BenchmarkReadLSM6DSV16X(b *testing.B) {
	r := rig(lsm6dsv16x.Addr, lsm6dsv16x.Addr, sim.NewLSM6DSV16X)(b)
	d, err := lsm6dsv16x.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func BenchmarkReadICM20948(b *testing.B) {
	r := rig(icm20948.AltAddr, icm20948.AltAddr, sim.NewICM20948)(b)
	d, err := icm20948.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func BenchmarkReadADXL355(b *testing.B) {
	r := rig(adxl355.Addr, adxl355.Addr, sim.NewADXL355)(b)
	d, err := adxl355.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func BenchmarkReadLSM303Accel(b *testing.B) {
	r := rig(lsm303accel.Addr, lsm303accel.Addr, sim.NewLSM303DLHCAccel)(b)
	d, err := lsm303accel.New(r.Bus, r.Addr, r.Clock, nil)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, r.Clock.Sleep, 10*time.Millisecond, func() error { _, err := d.ReadInertial(); return err })
}

func benchmark(b *testing.B, sleep func(time.Duration), every time.Duration, read func() error) {
	b.ReportAllocs()
	samples := 0
	for b.Loop() {
		sleep(every)
		if read() == nil {
			samples++
		}
	}
	b.ReportMetric(float64(samples)/float64(b.N), "samples/op")
}
