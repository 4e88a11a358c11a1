package sensortest_test

import (
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
	"plumbstar/sensors/adxl355"
	"plumbstar/sensors/ak09916"
	"plumbstar/sensors/ak8963"
	"plumbstar/sensors/bmm350"
	"plumbstar/sensors/hmc5883l"
	"plumbstar/sensors/icm20948"
	"plumbstar/sensors/lis2mdl"
	"plumbstar/sensors/lis3mdl"
	"plumbstar/sensors/lsm303accel"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/lsm6dsv16x"
	"plumbstar/sensors/mmc5603"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/mpu9250"
	"plumbstar/sensors/qmc5883l"
	"plumbstar/sensors/qmc5883p"
	"plumbstar/sensors/rm3100"
	"plumbstar/sensors/sensortest"
	"plumbstar/sensors/sim"
)

// quiet is a part without errors but with enough noise to move its bits.
var quiet = sim.Settings{
	Seed:  1,
	Accel: sim.Triad{Noise: r3.Vec{X: 1e-3, Y: 1e-3, Z: 1e-3}},
	Gyro:  sim.Triad{Noise: r3.Vec{X: 1e-4, Y: 1e-4, Z: 1e-4}},
	Mag:   sim.Triad{Noise: r3.Vec{X: 0.15, Y: 0.15, Z: 0.15}},
}

// board is a world that stands still between two calls of Place.
type board struct{ sim.Environment }

func (b *board) At(time.Duration) sim.Environment { return b.Environment }

// rig puts one simulated chip on a bus. at is where its driver finds it, seat
// where it sits: they differ for a chip inside another.
func rig(seat, at uint16, make func(sim.World, sim.Settings) sim.Chip) func(testing.TB) *sensortest.Rig {
	return func(tb testing.TB) *sensortest.Rig {
		tb.Helper()
		b := &board{sim.Environment{TempC: sim.ReferenceC}}
		clock := &sim.Clock{}
		bus := sim.NewBus("bus 1", clock, sim.Adapter{})
		if err := bus.Attach(seat, make(b, quiet)); err != nil {
			tb.Fatal(err)
		}
		clock.Sleep(time.Second)
		kinds := map[sensortest.Fault]sim.Kind{
			sensortest.NoAck: sim.NACK, sensortest.Ones: sim.Ones, sensortest.Zeros: sim.Zeros,
			sensortest.Frozen: sim.Frozen, sensortest.Stalled: sim.Stalled,
		}
		return &sensortest.Rig{
			Bus: bus, Addr: at, Clock: clock,
			Place: func(w sensortest.World) {
				b.Environment = sim.Environment{Force: w.Force, Rate: w.Rate, FieldUT: w.FieldUT, TempC: w.TempC}
			},
			Inject: func(f sensortest.Fault) {
				if f == sensortest.Stuck {
					bus.Inject(sim.Fault{Kind: sim.Stuck})
					return
				}
				bus.Inject(sim.Fault{Kind: kinds[f]}, at)
			},
			Clear:    func() { bus.Clear() },
			BrownOut: func() { bus.BrownOut(seat); clock.Sleep(time.Second) },
			Unplug:   func() { bus.Unplug(seat) },
			Replug:   func() { bus.Replug(seat); clock.Sleep(time.Second) },
		}
	}
}

func TestInertial(t *testing.T) {
	openMPU := func(r *sensortest.Rig, g, dps int) (sensors.Inertial, error) {
		o := mpu9250.DefaultOpts()
		set(&o.AccelRangeG, g)
		set(&o.GyroRangeDPS, dps)
		return mpu9250.New(r.Bus, r.Addr, r.Clock, &o)
	}
	openLSM := func(r *sensortest.Rig, g, dps int) (sensors.Inertial, error) {
		o := lsm6dso.DefaultOpts()
		set(&o.AccelRangeG, g)
		set(&o.GyroRangeDPS, dps)
		return lsm6dso.New(r.Bus, r.Addr, r.Clock, &o)
	}
	mpu := sensortest.Inertial{
		Wrong: rig(mpu9250.Addr, mpu9250.Addr, sim.NewQMC5883L), Open: openMPU,
		AccelG: []int{2, 4, 8, 16}, GyroDPS: []int{250, 500, 1000, 2000},
	}
	lsm := sensortest.Inertial{
		Wrong: rig(lsm6dso.Addr, lsm6dso.Addr, sim.NewMPU6050), Open: openLSM,
		AccelG: []int{2, 4, 8, 16}, GyroDPS: []int{125, 250, 500, 1000, 2000},
	}
	lsv := sensortest.Inertial{
		Wrong: rig(lsm6dsv16x.Addr, lsm6dsv16x.Addr, sim.NewLSM6DSO),
		Open: func(r *sensortest.Rig, g, dps int) (sensors.Inertial, error) {
			o := lsm6dsv16x.DefaultOpts()
			set(&o.AccelRangeG, g)
			set(&o.GyroRangeDPS, dps)
			return lsm6dsv16x.New(r.Bus, r.Addr, r.Clock, &o)
		},
		AccelG: []int{2, 4, 8, 16}, GyroDPS: []int{125, 250, 500, 1000, 2000},
	}
	icm := sensortest.Inertial{
		Wrong: rig(icm20948.AltAddr, icm20948.AltAddr, sim.NewMPU6500),
		Open: func(r *sensortest.Rig, g, dps int) (sensors.Inertial, error) {
			o := icm20948.DefaultOpts()
			set(&o.AccelRangeG, g)
			set(&o.GyroRangeDPS, dps)
			return icm20948.New(r.Bus, r.Addr, r.Clock, &o)
		},
		AccelG: []int{2, 4, 8, 16}, GyroDPS: []int{250, 500, 1000, 2000},
	}
	adxl := sensortest.Inertial{
		Wrong: rig(adxl355.Addr, adxl355.Addr, sim.NewLIS3MDL),
		Open: func(r *sensortest.Rig, g, _ int) (sensors.Inertial, error) {
			o := adxl355.DefaultOpts()
			set(&o.AccelRangeG, g)
			return adxl355.New(r.Bus, r.Addr, r.Clock, &o)
		},
		AccelG: []int{2, 4, 8},
	}
	l303 := sensortest.Inertial{
		Wrong: rig(lsm303accel.Addr, lsm303accel.Addr, sim.NewLIS3MDL),
		Open: func(r *sensortest.Rig, g, _ int) (sensors.Inertial, error) {
			o := lsm303accel.DefaultOpts()
			set(&o.AccelRangeG, g)
			return lsm303accel.New(r.Bus, r.Addr, r.Clock, &o)
		},
		AccelG: []int{2, 4, 8, 16}, NoTemp: true,
	}
	t.Run("LSM303AGR", func(t *testing.T) {
		agr := l303
		agr.Chip, agr.NoTemp = "LSM303AGR", false
		agr.Rig = func(tb testing.TB) *sensortest.Rig {
			r := rig(lsm303accel.Addr, lsm303accel.Addr, sim.NewLSM303AGRAccel)(tb)
			r.Bus = besideMagnetometer{r.Bus}
			return r
		}
		agr.Run(t)
	})
	for _, c := range []struct {
		name     string
		contract sensortest.Inertial
		addr     uint16
		make     func(sim.World, sim.Settings) sim.Chip
	}{
		{"MPU-6050", mpu, mpu9250.Addr, sim.NewMPU6050},
		{"MPU-6500", mpu, mpu9250.AltAddr, sim.NewMPU6500},
		{"MPU-9250", mpu, mpu9250.Addr, sim.NewMPU9250},
		{"LSM6DSO", lsm, lsm6dso.Addr, sim.NewLSM6DSO},
		{"ISM330DHCX", lsm, lsm6dso.AltAddr, sim.NewISM330DHCX},
		{"LSM6DSV16X", lsv, lsm6dsv16x.Addr, sim.NewLSM6DSV16X},
		{"ICM-20948", icm, icm20948.AltAddr, sim.NewICM20948},
		{"ADXL355", adxl, adxl355.Addr, sim.NewADXL355},
		{"LSM303DLHC", l303, lsm303accel.Addr, sim.NewLSM303DLHCAccel},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.contract.Chip = c.name
			c.contract.Rig = rig(c.addr, c.addr, c.make)
			c.contract.Run(t)
		})
	}
}

// besideMagnetometer is a bus on which the identity of an LSM303AGR's
// magnetometer can be read too.
type besideMagnetometer struct{ i2c.Bus }

func (b besideMagnetometer) Tx(addr uint16, w, r []byte) error {
	if addr == 0x1e && len(w) == 1 && len(r) == 1 && w[0] == 0x4f {
		r[0] = 0x40
		return nil
	}
	return b.Bus.Tx(addr, w, r)
}

func set[T comparable](to *T, v T) {
	var zero T
	if v != zero {
		*to = v
	}
}

// insideRig has a magnetometer at 0x0C inside the chip at seat, whose bypass is
// on, also after its supply failed: the inertial half was opened again by then.
func insideRig(seat uint16, make func(sim.World, sim.Settings) sim.Chip, enable func(i2c.Bus, uint16) error) func(testing.TB) *sensortest.Rig {
	return func(tb testing.TB) *sensortest.Rig {
		r := rig(seat, 0x0c, make)(tb)
		bus := r.Bus
		bypass := func() {
			if err := enable(bus, seat); err != nil {
				tb.Fatal(err)
			}
		}
		after := func(f func()) func() { return func() { f(); bypass() } }
		bypass()
		r.BrownOut, r.Replug = after(r.BrownOut), after(r.Replug)
		return r
	}
}

func TestMagnetometer(t *testing.T) {
	for _, c := range []sensortest.Magnetometer{
		{
			Chip:  "AK8963",
			Rig:   insideRig(mpu9250.Addr, sim.NewMPU9250, mpu9250.EnableBypass),
			Wrong: rig(ak8963.Addr, ak8963.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return ak8963.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{49.12},
			ScaleTol:    0.01,
		},
		{
			Chip:  "LIS3MDL",
			Rig:   rig(lis3mdl.Addr, lis3mdl.Addr, sim.NewLIS3MDL),
			Wrong: rig(lis3mdl.Addr, lis3mdl.Addr, sim.NewHMC5883L),
			Open: func(r *sensortest.Rig, gauss float64) (sensors.Magnetometer, error) {
				o := lis3mdl.DefaultOpts()
				set(&o.RangeGauss, int(gauss))
				return lis3mdl.New(r.Bus, r.Addr, r.Clock, &o)
			},
			RangesGauss: []float64{4, 8, 12, 16},
			HasTemp:     true,
		},
		{
			Chip:  "MMC5983MA",
			Rig:   rig(mmc5983ma.Addr, mmc5983ma.Addr, sim.NewMMC5983MA),
			Wrong: rig(mmc5983ma.Addr, mmc5983ma.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return mmc5983ma.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{8},
		},
		{
			Chip:  "HMC5883L",
			Rig:   rig(hmc5883l.Addr, hmc5883l.Addr, sim.NewHMC5883L),
			Wrong: rig(hmc5883l.Addr, hmc5883l.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, gauss float64) (sensors.Magnetometer, error) {
				o := hmc5883l.DefaultOpts()
				set(&o.RangeGauss, gauss)
				return hmc5883l.New(r.Bus, r.Addr, r.Clock, &o)
			},
			RangesGauss: []float64{0.88, 1.3, 1.9, 2.5, 4, 4.7, 5.6, 8.1},
			// 12 bits reach beyond the range that is recommended.
			EndsAt: 1.75,
		},
		{
			Chip:  "QMC5883L",
			Rig:   rig(qmc5883l.Addr, qmc5883l.Addr, sim.NewQMC5883L),
			Wrong: rig(qmc5883l.Addr, qmc5883l.Addr, sim.NewMPU6050),
			Open: func(r *sensortest.Rig, gauss float64) (sensors.Magnetometer, error) {
				o := qmc5883l.DefaultOpts()
				set(&o.RangeGauss, int(gauss))
				return qmc5883l.New(r.Bus, r.Addr, r.Clock, &o)
			},
			RangesGauss: []float64{2, 8},
		},
		{
			Chip:  "LSM303DLHC",
			Rig:   rig(hmc5883l.Addr, hmc5883l.Addr, sim.NewLSM303DLHC),
			Wrong: rig(hmc5883l.Addr, hmc5883l.Addr, sim.NewLIS2MDL),
			Open: func(r *sensortest.Rig, gauss float64) (sensors.Magnetometer, error) {
				o := hmc5883l.DefaultLSM303DLHC()
				set(&o.RangeGauss, gauss)
				return hmc5883l.NewLSM303DLHC(r.Bus, r.Addr, r.Clock, &o)
			},
			RangesGauss: []float64{1.3, 1.9, 2.5, 4, 4.7, 5.6, 8.1},
			// As in the HMC5883L; Z, with the smaller gain, ends at 1.8 times.
			EndsAt: 1.8, HasTemp: true, TempSingly: true,
		},
		{
			Chip:  "QMC5883P",
			Rig:   rig(qmc5883p.Addr, qmc5883p.Addr, sim.NewQMC5883P),
			Wrong: rig(qmc5883p.Addr, qmc5883p.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, gauss float64) (sensors.Magnetometer, error) {
				o := qmc5883p.DefaultOpts()
				set(&o.RangeGauss, int(gauss))
				return qmc5883p.New(r.Bus, r.Addr, r.Clock, &o)
			},
			RangesGauss: []float64{2, 8, 12, 30},
		},
		{
			Chip:  "MMC5603",
			Rig:   rig(mmc5603.Addr, mmc5603.Addr, sim.NewMMC5603),
			Wrong: rig(mmc5603.Addr, mmc5603.Addr, sim.NewMMC5983MA),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return mmc5603.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{30},
		},
		{
			Chip:  "RM3100",
			Rig:   rig(rm3100.Addr, rm3100.Addr, sim.NewRM3100),
			Wrong: rig(rm3100.Addr, rm3100.Addr, sim.NewMMC5983MA),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return rm3100.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{8},
			StatusApart: true,
		},
		{
			Chip:  "LIS2MDL",
			Rig:   rig(lis2mdl.Addr, lis2mdl.Addr, sim.NewLIS2MDL),
			Wrong: rig(lis2mdl.Addr, lis2mdl.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return lis2mdl.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{49.152},
			HasTemp:     true,
		},
		{
			Chip:  "BMM350",
			Rig:   rig(bmm350.Addr, bmm350.Addr, sim.NewBMM350),
			Wrong: rig(bmm350.Addr, bmm350.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return bmm350.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{20},
			HasTemp:     true,
		},
		{
			Chip:  "AK09916",
			Rig:   insideRig(icm20948.AltAddr, sim.NewICM20948, icm20948.EnableBypass),
			Wrong: rig(ak09916.Addr, ak09916.Addr, sim.NewLIS3MDL),
			Open: func(r *sensortest.Rig, _ float64) (sensors.Magnetometer, error) {
				return ak09916.New(r.Bus, r.Addr, r.Clock, nil)
			},
			RangesGauss: []float64{49.12},
		},
	} {
		t.Run(c.Chip, c.Run)
	}
}
