package main

import (
	"fmt"
	"strconv"
	"strings"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/daemon/config"
	"plumbstar/sensors"
)

// liveBuses opens buses on demand, each once, and closes one as soon as no
// sensor uses it: an adapter that was unplugged and plugged in again stays
// invisible while its old descriptor is open.
type liveBuses struct {
	mu   sync.Mutex
	open map[string]i2c.BusCloser
	use  map[string]string // sensor to bus
}

func newLiveBuses() *liveBuses {
	return &liveBuses{open: make(map[string]i2c.BusCloser), use: make(map[string]string)}
}

// candidates are the buses that a setting names: all for "auto".
func (l *liveBuses) candidates(setting string) ([]i2cBus, error) {
	if setting != config.Auto {
		if n, err := strconv.Atoi(strings.TrimPrefix(setting, "/dev/i2c-")); err == nil {
			return []i2cBus{i2cBusNumber(n)}, nil
		}
	}
	all, err := i2cBuses()
	if err != nil || setting == config.Auto {
		return all, err
	}
	for _, b := range all {
		if b.name == setting {
			return []i2cBus{b}, nil
		}
	}
	return nil, fmt.Errorf("bus %q: no such bus; plumbstar scan lists them", setting)
}

func (l *liveBuses) get(sensor string, b i2cBus) (i2c.Bus, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	// In use from here on, so that nobody closes it while the sensor is opened.
	l.use[sensor] = b.name
	if bus, ok := l.open[b.name]; ok {
		return bus, nil
	}
	bus, err := openBus(b)
	if err != nil {
		return nil, err
	}
	l.open[b.name] = bus
	return bus, nil
}

// release tells that a sensor no longer uses its bus.
func (l *liveBuses) release(sensor string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.use, sensor)
	used := make(map[string]bool)
	for _, name := range l.use {
		used[name] = true
	}
	for name, b := range l.open {
		if !used[name] {
			// A descriptor of a bus that is gone may refuse to close properly.
			_ = b.Close()
			delete(l.open, name)
		}
	}
}

// find opens a sensor with open on the first candidate bus where it answers.
func find[S any](l *liveBuses, sensor string, s config.Sensor, clock sensors.Clock, open func(chip string, bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (S, error)) (S, error) {
	var dev S
	err := l.each(sensor, s.Bus, func(bus i2c.Bus) (err error) {
		dev, err = open(s.Chip, bus, s.Address, clock, s.RateHz)
		return err
	})
	return dev, err
}
