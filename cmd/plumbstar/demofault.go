package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"plumbstar/daemon/scenario"
	"plumbstar/sensors/sim"
)

// demoFault is something that happens to the simulated board, from and to in
// simulated time after the set-up.
type demoFault struct {
	what     string
	deg      float64 // of a knock or a sinking leg
	from, to time.Duration
	state    int // 0 to come, 1 acting, 2 over
}

const demoFaultHelp = "magnetometer or inertial (unplugged), bus (stuck low), sink:DEGREES (a leg sinks); or knock:DEGREES@WHEN (a kick)"

// parseDemoFault reads WHAT@FROM-TO, for example magnetometer@20s-35s, or
// knock:0.05@WHEN.
func parseDemoFault(s string) (demoFault, error) {
	what, span, ok := strings.Cut(s, "@")
	from, to, ok2 := strings.Cut(span, "-")
	what, size, sized := strings.Cut(what, ":")
	if what == "knock" && ok && !ok2 {
		to, ok2 = from, true
	}
	if !ok || !ok2 {
		return demoFault{}, usagef("--fault %q: write WHAT@FROM-TO, for example magnetometer@20s-35s", s)
	}
	f := demoFault{what: what}
	var err error
	if f.from, err = time.ParseDuration(from); err == nil {
		f.to, err = time.ParseDuration(to)
	}
	if err != nil || f.from < 0 || f.to <= f.from && what != "knock" {
		return demoFault{}, usagef("--fault %q: FROM and TO are times after the start like 20s, TO the later", s)
	}
	switch what {
	case "magnetometer", "inertial", "bus":
		if !sized {
			return f, nil
		}
	case "knock", "sink":
		if f.deg, err = strconv.ParseFloat(size, 64); err != nil || !(f.deg > 0 && f.deg <= 5) {
			return demoFault{}, usagef("--fault %q: give the size in degrees, above 0 up to 5, for example knock:0.05@2m", s)
		}
		return f, nil
	}
	return demoFault{}, usagef("--fault %q: choose %s", s, demoFaultHelp)
}

func parseDemoFaults(list []string) ([]demoFault, error) {
	var out []demoFault
	for _, s := range list {
		f, err := parseDemoFault(s)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, nil
}

// step begins and ends the fault when its time has come, and says so.
func (f *demoFault) step(n *scenario.Night, bus *sim.Bus, t time.Duration) string {
	if f.what == "knock" || f.what == "sink" {
		return f.move(n, t)
	}
	switch {
	case f.state == 0 && t >= f.from:
		f.state = 1
		switch f.what {
		case "magnetometer":
			bus.Unplug(scenario.MagneticAddr)
		case "inertial":
			bus.Unplug(scenario.InertialAddr)
		case "bus":
			bus.Inject(sim.Fault{Kind: sim.Stuck})
		}
		return fmt.Sprintf("%s: trouble begins", f.what)
	case f.state == 1 && t >= f.to:
		f.state = 2
		switch f.what {
		case "magnetometer":
			bus.Replug(scenario.MagneticAddr)
		case "inertial":
			bus.Replug(scenario.InertialAddr)
		case "bus":
			bus.Clear()
		}
		return fmt.Sprintf("%s: trouble ends", f.what)
	}
	return ""
}

// move kicks the tripod, and the axis comes lower and, by half as much, to the
// east; or lets the front leg sink, and it comes lower.
func (f *demoFault) move(n *scenario.Night, t time.Duration) string {
	if f.state > 0 || t < f.from {
		return ""
	}
	f.state = 2
	down, aside := 0.894, 0.447
	takes, said := kickTakes, "the tripod is kicked"
	if f.what == "sink" {
		down, aside = 1, 0
		takes, said = f.to-f.from, "a leg begins to sink"
	}
	n.Mount.Knock(n.Clock.Now(), takes, -down*f.deg, aside*f.deg)
	return fmt.Sprintf("%s, by %.2f°", said, f.deg)
}

// kickTakes is how long a kick lasts.
const kickTakes = 300 * time.Millisecond
