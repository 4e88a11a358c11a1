package sensortest_test

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
	"plumbstar/sensors/adxl355"
	"plumbstar/sensors/ak09916"
	"plumbstar/sensors/bmm350"
	"plumbstar/sensors/hmc5883l"
	"plumbstar/sensors/icm20948"
	"plumbstar/sensors/lis2mdl"
	"plumbstar/sensors/lsm303accel"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/lsm6dsv16x"
	"plumbstar/sensors/mmc5603"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/mpu9250"
	"plumbstar/sensors/qmc5883p"
	"plumbstar/sensors/rm3100"
	"plumbstar/sensors/sensortest"
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

// BenchmarkReadMagnetic covers the magnetometers of the second wave, each at its
// default rate.
func BenchmarkReadMagnetic(b *testing.B) {
	for _, c := range []struct {
		name string
		addr uint16
		make func(sim.World, sim.Settings) sim.Chip
		open func(*sensortest.Rig) (sensors.Magnetometer, error)
	}{
		{"QMC5883P", qmc5883p.Addr, sim.NewQMC5883P, opened(qmc5883p.New)},
		{"MMC5603", mmc5603.Addr, sim.NewMMC5603, opened(mmc5603.New)},
		{"RM3100", rm3100.Addr, sim.NewRM3100, opened(rm3100.New)},
		{"LIS2MDL", lis2mdl.Addr, sim.NewLIS2MDL, opened(lis2mdl.New)},
		{"LSM303DLHC", hmc5883l.Addr, sim.NewLSM303DLHC, opened(hmc5883l.NewLSM303DLHC)},
		{"BMM350", bmm350.Addr, sim.NewBMM350, opened(bmm350.New)},
		{"AK09916", ak09916.Addr, sim.NewAK09916, opened(ak09916.New)},
	} {
		b.Run(c.name, func(b *testing.B) {
			r := rig(c.addr, c.addr, c.make)(b)
			r.Place(sensortest.World{FieldUT: r3.Vec{X: 19, Y: 2, Z: -45}, TempC: 18})
			d, err := c.open(r)
			if err != nil {
				b.Fatal(err)
			}
			every := time.Duration(float64(time.Second) / d.Spec().RateHz)
			benchmark(b, r.Clock.Sleep, every, func() error { _, err := d.ReadMagnetic(); return err })
		})
	}
}

// opened makes a constructor with its own options one that takes a rig.
func opened[D sensors.Magnetometer, O any](open func(i2c.Bus, uint16, sensors.Clock, *O) (D, error)) func(*sensortest.Rig) (sensors.Magnetometer, error) {
	return func(r *sensortest.Rig) (sensors.Magnetometer, error) { return open(r.Bus, r.Addr, r.Clock, nil) }
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
