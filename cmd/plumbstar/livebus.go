package main

import (
	"fmt"
	"strconv"
	"strings"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/daemon/config"
)

// liveBuses opens buses on demand, each once, and closes one as soon as no
// sensor uses it: an adapter that was unplugged and plugged in again stays
// invisible while its old descriptor is open.
type liveBuses struct {
	mu   sync.Mutex
	open map[string]i2c.BusCloser
	use  map[string]string // sensor to bus
	busy bool              // a sensor is being searched for
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
	l.closeUnused()
}

// closeUnused closes the buses that no sensor uses. The caller holds the lock.
func (l *liveBuses) closeUnused() {
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

// begin lets one search at a time use the buses: a chip that is reset may close the
// way to another one inside it.
func (l *liveBuses) begin() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.busy {
		return false
	}
	l.busy = true
	return true
}

// end is the end of a search; buses that it opened in vain are closed.
func (l *liveBuses) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.busy = false
	l.closeUnused()
}
