//go:build linux

package main

import (
	"errors"
	"fmt"
	"time"

	"plumbstar/deploy/rig/plan"
	"plumbstar/deploy/rig/usbip"
	"plumbstar/sensors/sim"
)

// trouble is how a fault is made and what the program must say to it.
type trouble struct {
	begin, end func() error
	sensors    []string // that are lost
	faults     []string // the names in health that fit
	// lasts is how long it stays after it was named.
	lasts time.Duration
	// passes: it is over at once, and only what it did remains.
	passes bool
}

func (g *guest) troubleOf(f plan.Fault) trouble {
	both := []string{"inertial", "magnetic"}
	nothing := func() error { return nil }
	mood := func(m usbip.Mood) func() error {
		return func() error { g.adapter.Set(m); return nil }
	}
	chips := func(k sim.Kind) func() error {
		return func() error { g.bench.bus.Inject(sim.Fault{Kind: k}); return nil }
	}
	clear := func() error { g.bench.bus.Clear(); return nil }
	const lasts = 2 * time.Second
	switch f {
	case plan.NACK:
		return trouble{begin: chips(sim.NACK), end: clear, sensors: both, faults: []string{"no-answer"}, lasts: lasts}
	case plan.Stall:
		return trouble{begin: mood(usbip.Stalled), end: mood(usbip.Working), sensors: both, faults: []string{"bus"}, lasts: lasts}
	case plan.Hang:
		return trouble{begin: chips(sim.Stuck), end: clear, sensors: both, faults: []string{"held-low"}, lasts: lasts}
	case plan.Unplug:
		t := trouble{begin: g.unplug, end: g.plug, sensors: both, faults: []string{"adapter-gone"}, lasts: lasts}
		if g.plan.Borrowed {
			// The magnetometer sits on a bus of its own; and while other buses are
			// there, that nobody answers on them is all that is known of the chip.
			t.sensors, t.faults = both[:1], append(t.faults, "no-answer")
		}
		return t
	case plan.BrownOut:
		dip := func() error { g.bench.bus.BrownOut(); return nil }
		return trouble{begin: dip, end: nothing, sensors: both, faults: []string{"reset", "implausible"}, passes: true}
	case plan.Zeros:
		return trouble{begin: chips(sim.Zeros), end: clear, sensors: both, faults: []string{"implausible"}, lasts: lasts}
	case plan.Frozen:
		freeze := func(on bool) func() error {
			return func() error { g.frozen.Store(on); return nil }
		}
		return trouble{begin: freeze(true), end: freeze(false), sensors: both[1:], faults: []string{"frozen"}, lasts: lasts}
	case plan.Loose:
		off := func() error { g.bench.bus.Unplug(g.bench.mag); return nil }
		on := func() error { g.bench.bus.Replug(g.bench.mag); return nil }
		return trouble{begin: off, end: on, sensors: []string{"magnetic"}, faults: []string{"no-answer"}, lasts: lasts}
	}
	panic("no such fault: " + f)
}

// trouble makes one fault: it must be named in log and health, guidance must not
// go on as if nothing were, and must be back and right once the fault is over.
func (g *guest) trouble(f plan.Fault) (string, error) {
	t := g.troubleOf(f)
	if _, err := g.guided(2*g.plan.Patience, "steady", "settling"); err != nil {
		return "", fmt.Errorf("before the fault: %w", err)
	}
	if err := g.prog.await(g.plan.Patience, "all sensors", allWell); err != nil {
		return "", fmt.Errorf("before the fault: %w", err)
	}
	before := make(map[string]sensorHealth)
	for _, name := range t.sensors {
		s, err := sensorNamed(name)
		if err != nil {
			return "", err
		}
		before[name] = s
	}
	mark, began := g.prog.lines(), time.Now()
	if err := t.begin(); err != nil {
		return "", err
	}
	silent := make(chan error, 1)
	var withheld time.Duration
	go func() {
		err := g.withheld(t)
		withheld = time.Since(began)
		silent <- err
	}()
	said, err := g.named(t, before, mark)
	named := time.Since(began)
	if err = errors.Join(err, <-silent); err != nil {
		_ = t.end() // the next fault shall find a sound bus
		return "", err
	}
	text := fmt.Sprintf("named after %.1f s: %s", named.Seconds(), said)
	if !t.passes {
		while, _, err := g.prog.over(t.lasts)
		if err != nil {
			return "", err
		}
		text += fmt.Sprintf("; no number shown from %.1f s on; meanwhile %s", withheld.Seconds(), while.text(g.plan.MIPS))
	}
	ended := time.Now()
	if err := t.end(); err != nil {
		return "", err
	}
	text += "; from the end on"
	for _, name := range t.sensors {
		if _, err := g.prog.awaitLog(mark, g.plan.Patience, "sensor found", name); err != nil {
			return "", err
		}
		text += fmt.Sprintf(" %.1f s to the %s sensor,", time.Since(ended).Seconds(), name)
	}
	x, err := g.guided(2*g.plan.Patience, "steady", "settling")
	if err != nil {
		return "", fmt.Errorf("after the fault: %w", err)
	}
	took := time.Since(ended)
	text += fmt.Sprintf(" %.1f s to guidance (%s: %s)", took.Seconds(), x.State, x.Move.Text)
	if took > g.plan.Back {
		return "", fmt.Errorf("%s: %v are promised", text, g.plan.Back)
	}
	return text, nil
}

// named waits for the log line of each sensor that is lost and compares the
// health; the first line is returned.
func (g *guest) named(t trouble, before map[string]sensorHealth, mark int) (string, error) {
	var first string
	count := func(s sensorHealth) (n uint64) {
		for _, f := range t.faults {
			n += s.Faults[f]
		}
		return n
	}
	for _, name := range t.sensors {
		line, err := g.prog.awaitLog(mark, 3*g.plan.Patience, "sensor lost", name)
		if err != nil {
			return "", err
		}
		if first == "" {
			first = what(line)
		}
		err = g.prog.await(g.plan.Patience, "health", func() error {
			s, err := sensorNamed(name)
			switch {
			case err != nil:
				return err
			case count(s) <= count(before[name]):
				return fmt.Errorf("%s: no fault of %q was counted: newest %q, counts %v, %s", name, t.faults, s.Fault, s.Faults, s.LastError)
			case s.Advice == "":
				return fmt.Errorf("%s: no advice", name)
			}
			return nil
		})
		if err != nil {
			return "", err
		}
	}
	return first, nil
}

// withheld waits until what can no longer be known is no longer shown.
func (g *guest) withheld(t trouble) error {
	if t.passes {
		return nil
	}
	return g.prog.await(g.plan.Patience, "numbers withheld", func() error {
		var x guidance
		if err := get("/api/v1/guidance", &x); err != nil {
			return err
		}
		shown := x.Move.TurnEast != nil
		if t.sensors[0] == "inertial" {
			shown = shown || x.Move.Raise != nil
		}
		if shown {
			return fmt.Errorf("state %s still says %q", x.State, x.Move.Text)
		}
		return nil
	})
}
