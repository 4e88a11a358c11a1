package main

import (
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/sensors"
)

// searchEvery is how often a sensor that was lost is looked for on the buses where
// it was not. On its own bus it is looked for as often as the daemon asks, and on
// all when a bus has come or gone.
const searchEvery = 2 * time.Second

// seeker opens one sensor, beside the loop: chips take a tenth of a second to be
// reset, and a bus that hangs longer; the others are read meanwhile.
type seeker[S any] struct {
	buses  *liveBuses
	name   string // of the sensor
	set    config.Sensor
	clock  sensors.Clock
	open   opener[S]
	list   func() ([]i2cBus, error) // the buses that may be looked at
	result chan found[S]            // of the search under way; nil: none
	home   string                   // the bus where it was found last
	known  []string                 // the buses at the last look
	next   time.Duration            // when all are looked at again
	err    error                    // of the last search
}

// opener opens a sensor on one bus.
type opener[S any] func(chip string, bus i2c.Bus, addr uint16, clock sensors.Clock, rateHz float64) (S, error)

// found is the end of a search.
type found[S any] struct {
	dev S
	bus string
	err error
	// shut: a bus could not be opened; its node's rights may come a moment after it.
	shut bool
}

func newSeeker[S any](l *liveBuses, name string, set config.Sensor, clock sensors.Clock, open opener[S]) *seeker[S] {
	return &seeker[S]{buses: l, name: name, set: set, clock: clock, open: open, list: func() ([]i2cBus, error) { return l.candidates(set.Bus) }}
}

// Open begins a search, or tells how it ended; in between it is
// daemon.ErrOpening. It is called by the loop alone.
func (s *seeker[S]) Open() (S, error) {
	var none S
	if s.result == nil {
		buses, err := s.where()
		if err != nil {
			return none, err
		}
		if !s.buses.begin() {
			return none, daemon.ErrOpening
		}
		ch := make(chan found[S], 1)
		s.result = ch
		go func() {
			f := s.search(buses)
			s.buses.end()
			ch <- f
		}()
	}
	select {
	case f := <-s.result:
		s.result, s.err = nil, f.err
		if f.err == nil {
			s.home = f.bus
		}
		if f.shut {
			s.known = nil
		}
		return f.dev, f.err
	default:
		return none, daemon.ErrOpening
	}
}

// where are the buses to look at now; none is the error of the last search.
func (s *seeker[S]) where() ([]i2cBus, error) {
	all, err := s.list()
	if err != nil {
		s.known = nil
		return nil, err
	}
	var names []string
	for _, b := range all {
		names = append(names, b.name)
	}
	if now := s.clock.Now(); len(all) == 1 || now >= s.next || s.err == nil || !slices.Equal(names, s.known) {
		s.known, s.next = names, now+searchEvery
		return all, nil
	}
	for _, b := range all {
		if b.name == s.home {
			return []i2cBus{b}, nil
		}
	}
	return nil, s.err
}

// search opens the sensor on the first bus where it answers.
func (s *seeker[S]) search(buses []i2cBus) found[S] {
	var err error
	shut := false
	for _, b := range buses {
		bus, e := s.buses.get(s.name, b)
		shut = shut || e != nil
		if e == nil {
			var dev S
			if dev, e = s.open(s.set.Chip, bus, s.set.Address, s.clock, s.set.RateHz); e == nil {
				return found[S]{dev: dev, bus: b.name}
			}
		}
		err = alsoOn(err, e)
	}
	return found[S]{err: err, shut: shut}
}
