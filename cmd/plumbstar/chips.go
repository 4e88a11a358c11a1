package main

import (
	"math"

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
)

// autoChip stands for any supported chip that answers.
const autoChip = "auto"

// driver is one sensor package: the chips it serves by the names of their data
// sheets, where they may sit, and how to tell and open them. One of inertial and
// magnetic is set.
type driver struct {
	names []string
	addrs []uint16
	// prepare, where there is one, makes the chip reachable first.
	prepare  func(i2c.Bus) error
	identify func(i2c.Bus, uint16) (name string, ok bool, err error)
	// writes says what identify writes, for chips that reading cannot tell.
	writes string
	// noGyro: the inertial sensor is an accelerometer alone.
	noGyro   bool
	inertial func(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error)
	magnetic func(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error)
}

// drivers lists what is supported, by hand. The order is that of preference
// where the user asks for any: those with a gyroscope first, then less noise and
// drift (the AK8963 comes with its MPU in any case).
func drivers() []driver {
	return []driver{
		{
			names:    []string{"LSM6DSV16X", "LSM6DSV"},
			addrs:    []uint16{lsm6dsv16x.Addr, lsm6dsv16x.AltAddr},
			identify: lsm6dsv16x.Identify,
			inertial: openLSM6DSV16X,
		},
		{
			names:    []string{"LSM6DSO", "LSM6DSOX", "ISM330DHCX", "LSM6DSL", "LSM6DS3TR-C", "LSM6DS3"},
			addrs:    []uint16{lsm6dso.Addr, lsm6dso.AltAddr},
			identify: lsm6dso.Identify,
			inertial: openLSM6DSO,
		},
		{
			names:    []string{"MPU-6050", "MPU-6500", "MPU-9250", "MPU-9255"},
			addrs:    []uint16{mpu9250.Addr, mpu9250.AltAddr},
			identify: mpu9250.Identify,
			inertial: openMPU,
		},
		{
			names:    []string{"ICM-20948"},
			addrs:    []uint16{icm20948.Addr, icm20948.AltAddr},
			identify: icm20948.Identify,
			inertial: openICM20948,
		},
		{
			names:    []string{"ADXL355"},
			addrs:    []uint16{adxl355.Addr, adxl355.AltAddr},
			identify: adxl355.Identify,
			noGyro:   true,
			inertial: openADXL355,
		},
		{
			names:    []string{"LSM303AGR", "LSM303DLHC", "LIS3DH", "LIS2DH12"},
			addrs:    []uint16{lsm303accel.Addr, lsm303accel.AltAddr},
			identify: lsm303accel.Identify,
			noGyro:   true,
			inertial: openLSM303Accel,
		},
		{
			names:    []string{"RM3100"},
			addrs:    []uint16{rm3100.Addr, rm3100.Addr + 1, rm3100.Addr + 2, rm3100.MaxAddr},
			identify: rm3100.Identify,
			magnetic: openRM3100,
		},
		{
			names:    []string{"MMC5983MA"},
			addrs:    []uint16{mmc5983ma.Addr},
			identify: mmc5983ma.Identify,
			magnetic: openMMC5983MA,
		},
		{
			names:    []string{"LIS2MDL", "LSM303AGR"},
			addrs:    []uint16{lis2mdl.Addr},
			identify: lis2mdl.Identify,
			magnetic: openLIS2MDL,
		},
		{
			names:    []string{"MMC5603"},
			addrs:    []uint16{mmc5603.Addr},
			identify: mmc5603.Identify,
			magnetic: openMMC5603,
		},
		{
			names:    []string{"BMM350"},
			addrs:    []uint16{bmm350.Addr, bmm350.AltAddr},
			identify: bmm350.Identify,
			magnetic: openBMM350,
		},
		{
			names:    []string{"LIS3MDL"},
			addrs:    []uint16{lis3mdl.Addr, lis3mdl.AltAddr},
			identify: lis3mdl.Identify,
			magnetic: openLIS3MDL,
		},
		{
			names:    []string{"LSM303DLHC"},
			addrs:    []uint16{hmc5883l.Addr},
			identify: hmc5883l.IdentifyLSM303DLHC,
			magnetic: openLSM303DLHC,
		},
		{
			names:    []string{"HMC5883L"},
			addrs:    []uint16{hmc5883l.Addr},
			identify: hmc5883l.Identify,
			magnetic: openHMC5883L,
		},
		{
			names:    []string{"QMC5883P"},
			addrs:    []uint16{qmc5883p.Addr},
			identify: qmc5883p.Identify,
			magnetic: openQMC5883P,
		},
		{
			names:    []string{"QMC5883L"},
			addrs:    []uint16{qmc5883l.Addr},
			identify: qmc5883l.Identify,
			writes:   "one bit of register 0x09 was flipped and put back",
			magnetic: openQMC5883L,
		},
		{
			names:    []string{"AK8963"},
			addrs:    []uint16{ak8963.Addr},
			prepare:  bypassMPU,
			identify: ak8963.Identify,
			magnetic: openAK8963,
		},
		{
			names:    []string{"AK09916"},
			addrs:    []uint16{ak09916.Addr},
			prepare:  bypassMPU,
			identify: ak09916.Identify,
			magnetic: openAK09916,
		},
	}
}

// inertialChips and magneticChips are the names that settings may give.
func inertialChips() []string {
	return chipNames(func(d driver) bool { return d.inertial != nil })
}

func magneticChips() []string {
	return chipNames(func(d driver) bool { return d.magnetic != nil })
}

func chipNames(want func(driver) bool) []string {
	var names []string
	for _, d := range drivers() {
		if want(d) {
			names = append(names, d.names...)
		}
	}
	return names
}

// openInertial opens an accelerometer and gyroscope by the name of its chip, or
// any with autoChip. Address 0 tries those that the chip can have. The chip takes
// the rate nearest to rateHz that it has; 0 leaves the driver's default.
func openInertial(chip string, bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	d, at, err := findChip(chip, bus, addr, clock, "inertial sensor", func(d driver) bool { return d.inertial != nil })
	if err != nil {
		return nil, err
	}
	return d.inertial(bus, at, clock, rateHz)
}

// openMagnetometer is openInertial for a magnetometer. For an AK8963 it turns on
// the bypass of the MPU-9250 around it first.
func openMagnetometer(chip string, bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	d, at, err := findChip(chip, bus, addr, clock, "magnetometer", func(d driver) bool { return d.magnetic != nil })
	if err != nil {
		return nil, err
	}
	return d.magnetic(bus, at, clock, rateHz)
}

// nearest is the rate of list with the least ratio to want.
func nearest[T int | float64](want float64, list ...T) T {
	best := list[0]
	for _, r := range list {
		if math.Abs(math.Log(float64(r)/want)) < math.Abs(math.Log(float64(best)/want)) {
			best = r
		}
	}
	return best
}

// inertial and magnetic keep a driver that failed to open from becoming an
// interface that is not nil.
func inertial[D sensors.Inertial](d D, err error) (sensors.Inertial, error) {
	if err != nil {
		return nil, err
	}
	return d, nil
}

func magnetic[D sensors.Magnetometer](d D, err error) (sensors.Magnetometer, error) {
	if err != nil {
		return nil, err
	}
	return d, nil
}

func openLSM6DSO(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := lsm6dso.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 12.5, 26, 52, 104, 208, 417, 833)
	}
	return inertial(lsm6dso.New(bus, addr, clock, &o))
}

func openMPU(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := mpu9250.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = min(max(rateHz, 4), 1000)
		// The widest filter below half the rate.
		o.FilterHz = 5
		for _, hz := range []int{10, 21, 44, 94, 184} {
			if float64(hz) < o.RateHz/2 {
				o.FilterHz = hz
			}
		}
	}
	if hasAK8963(bus, addr) {
		// The reset of the chip closed the way to its magnetometer.
		o.Bypass = true
	}
	return inertial(mpu9250.New(bus, addr, clock, &o))
}

func openLSM6DSV16X(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := lsm6dsv16x.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 7.5, 15, 30, 60, 120, 240, 480, 960)
	}
	return inertial(lsm6dsv16x.New(bus, addr, clock, &o))
}

func openICM20948(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := icm20948.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = min(max(rateHz, 5), 562.5)
		// The widest filter below half the rate.
		o.FilterHz = 6
		for _, hz := range []int{12, 24, 50, 111} {
			if float64(hz) < o.RateHz/2 {
				o.FilterHz = hz
			}
		}
	}
	return inertial(icm20948.New(bus, addr, clock, &o))
}

func openADXL355(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := adxl355.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 3.90625, 7.8125, 15.625, 31.25, 62.5, 125, 250, 500, 1000)
	}
	return inertial(adxl355.New(bus, addr, clock, &o))
}

func openLSM303Accel(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Inertial, error) {
	o := lsm303accel.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 10.0, 25, 50, 100, 200, 400)
	}
	return inertial(lsm303accel.New(bus, addr, clock, &o))
}

// hasAK8963 reports whether an MPU-9250 or 9255 answers at addr.
func hasAK8963(bus i2c.Bus, addr uint16) bool {
	name, ok, err := mpu9250.Identify(bus, addr)
	return err == nil && ok && (name == "MPU-9250" || name == "MPU-9255")
}

// bypassMPU connects the AK8963 inside an MPU-9250, or the AK09916 inside an
// ICM-20948, to the bus, if there is one.
func bypassMPU(bus i2c.Bus) error {
	for _, a := range []uint16{icm20948.Addr, icm20948.AltAddr} {
		if _, ok, err := icm20948.Identify(bus, a); err == nil && ok {
			return icm20948.EnableBypass(bus, a)
		}
	}
	for _, a := range []uint16{mpu9250.Addr, mpu9250.AltAddr} {
		if hasAK8963(bus, a) {
			return mpu9250.EnableBypass(bus, a)
		}
	}
	return nil // an AK8963 of its own
}

func openAK8963(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := ak8963.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 8, 100)
	}
	return magnetic(ak8963.New(bus, addr, clock, &o))
}

func openLIS3MDL(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := lis3mdl.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 0.625, 1.25, 2.5, 5, 10, 20, 40, 80, 155)
	}
	return magnetic(lis3mdl.New(bus, addr, clock, &o))
}

func openMMC5983MA(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := mmc5983ma.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 1, 10, 20, 50, 100, 200)
		if o.RateHz == 200 {
			o.BandwidthHz = 200
		}
	}
	return magnetic(mmc5983ma.New(bus, addr, clock, &o))
}

func openHMC5883L(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := hmc5883l.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 0.75, 1.5, 3, 7.5, 15, 30, 75)
	}
	return magnetic(hmc5883l.New(bus, addr, clock, &o))
}

func openQMC5883L(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := qmc5883l.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 10, 50, 100, 200)
	}
	return magnetic(qmc5883l.New(bus, addr, clock, &o))
}
