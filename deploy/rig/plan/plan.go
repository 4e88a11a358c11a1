// Package plan is what the rig's host tells its guests, and what it expects of
// them in return.
package plan

import "time"

// File is the plan's name in the guest's root folder, as JSON.
const File = "plan.json"

// Program is the released program's place in the guest.
const Program = "/bin/plumbstar"

// Plan is one guest's work.
type Plan struct {
	// Modules are the files below /modules, in the order to load them.
	Modules []string
	// Board is the key of a board in the guest.
	Board string
	// Borrowed says that the magnetometer is the emulator's, on the machine's own
	// bus; the host moves its field when asked to.
	Borrowed bool
	// Place is the key of a scenario's invented site, UTC the evening there.
	Place string
	UTC   time.Time
	// RateHz is asked of both sensors; emulated processors are slow.
	RateHz float64
	// Patience is how long the program may need for what takes a second or two on
	// a board.
	Patience time.Duration
	// Back is how long after the end of a fault guidance may take to be there again.
	Back time.Duration
	// MIPS is how many million instructions the emulated processor does in a second
	// of its time, 0 when it goes as fast as it can.
	MIPS float64
	// MostMB is the memory that the program may have in use, MB.
	MostMB float64
}

// Fault is one piece of trouble in the script.
type Fault string

// The script, in its order.
const (
	NACK     Fault = "nack"     // both chips no longer acknowledge
	Stall    Fault = "stall"    // the adapter fails every transfer at once
	Hang     Fault = "hang"     // a line is held low: no transfer ends before the kernel's patience
	Unplug   Fault = "unplug"   // the adapter is pulled out and plugged in elsewhere
	BrownOut Fault = "brownout" // the chips lose their settings for a moment
	Zeros    Fault = "zeros"    // transfers succeed and bring nothing
	Loose    Fault = "loose"    // the magnetometer alone comes off, and back
	Frozen   Fault = "frozen"   // the magnetometer answers and measures nothing new
)

// Script is every fault in order. With a borrowed magnetometer only those of the
// adapter that the guest plays, and the one that the emulator can make.
func (p Plan) Script() []Fault {
	if p.Borrowed {
		return []Fault{Unplug, Frozen}
	}
	return []Fault{NACK, Stall, Hang, Unplug, BrownOut, Zeros, Loose}
}

// Points are what a guest must prove, in the order of its lines.
func (p Plan) Points() []string {
	out := []string{"kernel", "errno", "scan", "hotplug", "calibration", "guidance", "rate", "turned", "cost"}
	for _, f := range p.Script() {
		out = append(out, string(f))
	}
	return append(out, "end")
}

// AskField is what the guest asks the host for, with three numbers: the field at
// the borrowed magnetometer in its axes, nT.
const AskField = "field"
