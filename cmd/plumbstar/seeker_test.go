package main

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// seekRig is a machine whose buses come and go; a sensor answers on some.
type seekRig struct {
	t     *testing.T
	buses *liveBuses
	clock *sim.Clock

	mu     sync.Mutex
	there  []string
	answer map[string]bool
	asked  []string
	shut   map[string]bool
	hold   chan struct{}
}

func newSeekRig(t *testing.T) *seekRig {
	return &seekRig{t: t, buses: newLiveBuses(), clock: new(sim.Clock), answer: map[string]bool{}, shut: map[string]bool{}}
}

// seeker looks for a sensor that is no more than the name of its bus.
func (r *seekRig) seeker(name string) *seeker[string] {
	s := newSeeker(r.buses, name, config.Sensor{Bus: config.Auto}, r.clock, func(_ string, bus i2c.Bus, _ uint16, _ sensors.Clock, _ float64) (string, error) {
		r.mu.Lock()
		hold := r.hold
		r.asked = append(r.asked, bus.String())
		ok := r.answer[bus.String()]
		r.mu.Unlock()
		if hold != nil {
			<-hold
		}
		if !ok {
			return "", errors.New("nobody on " + bus.String())
		}
		return "sensor on " + bus.String(), nil
	})
	s.list = func() ([]i2cBus, error) {
		r.mu.Lock()
		defer r.mu.Unlock()
		if len(r.there) == 0 {
			return nil, errNoBus
		}
		var out []i2cBus
		for n, name := range r.there {
			out = append(out, i2cBus{number: n, name: name, open: func() (i2c.BusCloser, error) {
				r.mu.Lock()
				defer r.mu.Unlock()
				if r.shut[name] {
					return nil, errors.New("shut")
				}
				return &namedBus{name: name, hangingBus: hangingBus{closed: make(chan struct{})}}, nil
			}})
		}
		return out, nil
	}
	return s
}

type namedBus struct {
	hangingBus
	name string
}

func (b *namedBus) String() string { return b.name }

// await calls Open as the loop does, and gives what was asked meanwhile.
func (r *seekRig) await(s *seeker[string]) (dev string, asked []string, err error) {
	r.t.Helper()
	r.mu.Lock()
	r.asked = nil
	r.mu.Unlock()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if dev, err = s.Open(); !errors.Is(err, daemon.ErrOpening) {
			break
		}
		if time.Now().After(end) {
			r.t.Fatal("the search does not end")
		}
	}
	if err != nil {
		r.buses.release(s.name)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return dev, r.asked, err
}

func (r *seekRig) open() (out []string) {
	r.buses.mu.Lock()
	defer r.buses.mu.Unlock()
	for name := range r.buses.open {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

// TestSeeker: a lost sensor is looked for on its own bus at each attempt, elsewhere
// every two seconds, and everywhere at once when a bus has come; buses that were
// opened in vain are closed.
func TestSeeker(t *testing.T) {
	r := newSeekRig(t)
	s := r.seeker("inertial")
	check := func(what, wantDev string, wantAsked ...string) {
		t.Helper()
		dev, asked, err := r.await(s)
		if dev != wantDev || (err == nil) != (wantDev != "") || !slices.Equal(asked, wantAsked) {
			t.Errorf("%s: %q, %v, asked %q; want %q, asked %q", what, dev, err, asked, wantDev, wantAsked)
		}
	}
	if _, _, err := r.await(s); !errors.Is(err, errNoBus) {
		t.Errorf("without a bus: %v", err)
	}
	r.there = []string{"a", "b"}
	check("nobody", "", "a", "b")
	check("nobody, at once again", "")
	r.there = []string{"a", "b", "c"}
	r.answer["c"] = true
	check("plugged in", "sensor on c", "a", "b", "c")
	if got := r.open(); !slices.Equal(got, []string{"c"}) {
		t.Errorf("open: %q, want the sensor's bus alone", got)
	}
	r.answer["c"] = false
	r.buses.release("inertial")
	if got := r.open(); len(got) != 0 {
		t.Errorf("open after the loss: %q", got)
	}
	check("lost", "", "a", "b", "c")
	check("and again", "", "c")
	r.clock.Sleep(searchEvery)
	check("two seconds later", "", "a", "b", "c")
	r.there, r.answer["d"] = []string{"a", "b", "d"}, true
	r.shut["d"] = true
	check("its rights are not there yet", "", "a", "b")
	r.shut["d"] = false
	check("now they are", "sensor on d", "a", "b", "d")
}

// TestSeekersTakeTurns: one search at a time, and the loop waits for none.
func TestSeekersTakeTurns(t *testing.T) {
	r := newSeekRig(t)
	r.there, r.answer["a"] = []string{"a"}, true
	r.hold = make(chan struct{})
	first, second := r.seeker("inertial"), r.seeker("magnetic")
	for range 3 {
		for _, s := range []*seeker[string]{first, second} {
			if _, err := s.Open(); !errors.Is(err, daemon.ErrOpening) {
				t.Fatal(err)
			}
		}
	}
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		r.mu.Lock()
		n := len(r.asked)
		r.mu.Unlock()
		if n > 0 {
			break
		} else if time.Now().After(end) {
			t.Fatal("no search was begun")
		}
	}
	if _, err := second.Open(); !errors.Is(err, daemon.ErrOpening) || len(r.asked) != 1 {
		t.Errorf("%v, asked %q: want one search", err, r.asked)
	}
	close(r.hold)
	for _, s := range []*seeker[string]{first, second} {
		if dev, _, err := r.await(s); err != nil || dev != "sensor on a" {
			t.Errorf("%s: %q, %v", s.name, dev, err)
		}
	}
	if got := fmt.Sprint(r.open()); got != "[a]" {
		t.Errorf("open: %s", got)
	}
}
