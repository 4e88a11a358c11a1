package main

import (
	"fmt"
	"strings"
	"time"

	"plumbstar/daemon/scenario"
	"plumbstar/sensors/sim"
)

// demoFault is something that happens to the simulated board, from and to in
// simulated time after the set-up.
type demoFault struct {
	what     string
	from, to time.Duration
	state    int // 0 to come, 1 acting, 2 over
}

const demoFaultHelp = "magnetometer or inertial (unplugged), bus (stuck low)"

// parseDemoFault reads WHAT@FROM-TO, for example magnetometer@20s-35s.
func parseDemoFault(s string) (demoFault, error) {
	what, span, ok := strings.Cut(s, "@")
	from, to, ok2 := strings.Cut(span, "-")
	if !ok || !ok2 {
		return demoFault{}, usagef("--fault %q: write WHAT@FROM-TO, for example magnetometer@20s-35s", s)
	}
	f := demoFault{what: what}
	var err error
	if f.from, err = time.ParseDuration(from); err == nil {
		f.to, err = time.ParseDuration(to)
	}
	if err != nil || f.from < 0 || f.to <= f.from {
		return demoFault{}, usagef("--fault %q: FROM and TO are times after the start like 20s, TO the later", s)
	}
	if what != "magnetometer" && what != "inertial" && what != "bus" {
		return demoFault{}, usagef("--fault %q: choose %s", s, demoFaultHelp)
	}
	return f, nil
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
func (f *demoFault) step(bus *sim.Bus, t time.Duration) string {
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
