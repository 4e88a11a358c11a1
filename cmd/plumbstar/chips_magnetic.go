package main

import (
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
	"plumbstar/sensors/ak09916"
	"plumbstar/sensors/bmm350"
	"plumbstar/sensors/hmc5883l"
	"plumbstar/sensors/lis2mdl"
	"plumbstar/sensors/mmc5603"
	"plumbstar/sensors/qmc5883p"
	"plumbstar/sensors/rm3100"
)

func openRM3100(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := rm3100.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 9.375, 18.75, 37.5, 75, 150, 300)
	}
	return magnetic(rm3100.New(bus, addr, clock, &o))
}

func openLIS2MDL(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := lis2mdl.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 10, 20, 50, 100)
	}
	return magnetic(lis2mdl.New(bus, addr, clock, &o))
}

func openMMC5603(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := mmc5603.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = min(max(int(rateHz), 1), o.RateHz)
	}
	return magnetic(mmc5603.New(bus, addr, clock, &o))
}

func openBMM350(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := bmm350.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 25, 50, 100, 200, 400)
	}
	return magnetic(bmm350.New(bus, addr, clock, &o))
}

func openLSM303DLHC(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := hmc5883l.DefaultLSM303DLHC()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 0.75, 1.5, 3, 7.5, 15, 30, 75, 220)
	}
	return magnetic(hmc5883l.NewLSM303DLHC(bus, addr, clock, &o))
}

func openQMC5883P(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := qmc5883p.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 10, 50, 100, 200)
	}
	return magnetic(qmc5883p.New(bus, addr, clock, &o))
}

func openAK09916(bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (sensors.Magnetometer, error) {
	o := ak09916.DefaultOpts()
	if rateHz > 0 {
		o.RateHz = nearest(rateHz, 10, 20, 50, 100)
	}
	return magnetic(ak09916.New(bus, addr, clock, &o))
}
