package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/i2c"

	"plumbstar/sensors"
	"plumbstar/sensors/bme280"
)

// scanReport is the JSON of the command.
type scanReport struct {
	Buses []busReport `json:"buses"`
	// Settings are lines for the settings file, where something was found.
	Settings string `json:"settings,omitempty"`
}

type busReport struct {
	Number int           `json:"number"`
	Name   string        `json:"name"`
	Found  []foundDevice `json:"found"`
	// Error says why the bus could not be looked at, or not to the end.
	Error string `json:"error,omitempty"`
	Note  string `json:"note,omitempty"`
}

type foundDevice struct {
	Address   string `json:"address"` // hexadecimal, 7 bits
	Chip      string `json:"chip,omitempty"`
	What      string `json:"what"`
	Supported bool   `json:"supported"`
	// Setting is the value of the key chip in the settings file.
	Setting string `json:"setting,omitempty"`
	Note    string `json:"note,omitempty"`
	// Inside is a magnetometer inside this chip, which answers once the program
	// has opened the way to it.
	Inside string `json:"inside,omitempty"`
}

// compass is what foundDevice.What says of a magnetometer.
const compass = "magnetometer"

func newScanCommand(e env) *cobra.Command {
	var asJSON bool
	var number int
	c := &cobra.Command{
		Use:   "scan",
		Short: "List the I2C buses and the sensors that answer on them",
		Long: `List the I2C buses and the sensors that answer on them, told apart by their
identity registers and not by address. Only addresses that a known sensor can have
are asked, and only registers are read; where a chip cannot be told without a
write, the note says what was written. An address that a kernel driver owns is
left alone. At the end stand the lines of a settings file for what was found.`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			buses, err := busesToScan(cmd.Flags().Changed("bus"), number)
			if err != nil {
				return err
			}
			return scan(cmd.Context(), e.stdout, buses, asJSON)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().IntVar(&number, "bus", 0, "look at this bus only, by its number")
	return c
}

func busesToScan(one bool, number int) ([]i2cBus, error) {
	if one && number < 0 {
		return nil, usagef("--bus %d: give the number of a bus, 0 or more", number)
	}
	if one {
		return []i2cBus{i2cBusNumber(number)}, nil
	}
	return i2cBuses()
}

// scan looks at all buses and prints what it found. It fails when no bus could
// be looked at.
func scan(ctx context.Context, out io.Writer, buses []i2cBus, asJSON bool) error {
	var report scanReport
	var failures []error
	for _, b := range buses {
		bus, err := openBus(b)
		if err != nil {
			failures = append(failures, err)
			report.Buses = append(report.Buses, busReport{Number: b.number, Name: b.name, Found: []foundDevice{}, Error: err.Error()})
			continue
		}
		r := scanBus(ctx, bus, b.claimed)
		r.Number, r.Name = b.number, b.name
		if err := bus.Close(); err != nil && r.Error == "" {
			r.Error = err.Error()
		}
		report.Buses = append(report.Buses, r)
	}
	if len(failures) == len(buses) {
		return errors.Join(failures...)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	report.Settings = report.propose()
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(report)
	}
	return report.print(out)
}

func (r scanReport) print(out io.Writer) error {
	var s strings.Builder
	for _, b := range r.Buses {
		fmt.Fprintf(&s, "bus %d (%s)\n", b.Number, b.Name)
		for _, d := range b.Found {
			name := d.Chip
			if name == "" {
				name = "?"
			}
			line := fmt.Sprintf("  %s  %-20s  %s", d.Address, name, d.What)
			if d.Supported && d.Setting == "" {
				line += ", supported"
			} else if d.Supported {
				line += fmt.Sprintf(", supported: chip = %q", d.Setting)
			} else if d.Chip != "" {
				line += ", not supported yet"
			}
			if d.Note != "" {
				line += " (" + d.Note + ")"
			}
			s.WriteString(line + "\n")
		}
		switch {
		case b.Error != "":
			s.WriteString("  " + b.Error + "\n")
		case b.Note != "":
			s.WriteString("  " + b.Note + "\n")
		case len(b.Found) == 0:
			fmt.Fprintf(&s, "  nothing on bus %d: check plug, wires and supply\n", b.Number)
		}
	}
	if r.Settings != "" {
		s.WriteString("\nfor the settings file:\n\n" + r.Settings)
	}
	_, err := io.WriteString(out, s.String())
	return err
}

// stuckAfter faulty transfers in a row the bus itself is at fault; each may take
// the adapter's time-out, a second.
const stuckAfter = 2

// scanBus asks every address that a known chip can have. An address is first
// only read from, without choosing a register: the write that chooses one goes
// to addresses where something answers.
func scanBus(ctx context.Context, bus i2c.Bus, claimed func(uint16) string) busReport {
	r := busReport{Found: []foundDevice{}}
	addrs := probedAddresses()
	answers, faults := 0, 0
	for _, a := range addrs {
		if ctx.Err() != nil {
			return r
		}
		if owner := claimed(a); owner != "" {
			r.Found = append(r.Found, foundDevice{Address: hex(a), What: "left alone", Note: "the kernel driver " + owner + " owns it"})
			continue
		}
		var one [1]byte
		err := bus.Tx(a, nil, one[:])
		switch {
		case err == nil:
			faults = 0
			answers++
			r.Found = append(r.Found, identify(bus, a))
		case isNoAck(err):
			faults = 0
		default:
			if faults++; faults >= stuckAfter {
				r.Error = fmt.Sprintf("transfers fail: %v: a line may be held low, or pull-up resistors missing: check the wires, unplug one device after the other", err)
				return r
			}
		}
	}
	if answers == len(addrs) {
		// virtio-i2c acknowledges for nobody and reads zeros.
		r.Found = slices.DeleteFunc(r.Found, func(d foundDevice) bool { return d.Chip == "" })
		r.Note = "every address answers, as virtual adapters do where nothing is connected: only chips with an identity are shown"
	}
	return r
}

// identify finds out what answers at a.
func identify(bus i2c.Bus, a uint16) foundDevice {
	found := foundDevice{Address: hex(a), What: "unknown", Note: guess(a)}
	for _, d := range drivers() {
		if !slices.Contains(d.addrs, a) {
			continue
		}
		name, ok, err := d.identify(bus, a)
		if err != nil || !ok {
			continue
		}
		found.Chip, found.Supported, found.Setting, found.Note = name, true, name, d.writes
		switch {
		case d.noGyro:
			found.What = "accelerometer"
		case d.inertial != nil:
			found.What = "inertial sensor"
		default:
			found.What = compass
		}
		switch name {
		case "MPU-9250", "MPU-9255":
			found.Inside = "AK8963"
		case "ICM-20948":
			found.Inside = "AK09916"
		}
		if found.Inside != "" {
			found.Note = "with the magnetometer " + found.Inside + " inside"
		}
		return found
	}
	if a == bme280.Addr || a == bme280.AltAddr {
		if name, ok, err := bme280.Identify(bus, a); err == nil && ok {
			found.Chip, found.What, found.Supported, found.Note = name, "air pressure and temperature", true, `used unless [air] sensor = "none"`
			return found
		}
	}
	for _, s := range signatures() {
		if !slices.Contains(s.addrs, a) {
			continue
		}
		if ok, err := s.matches(bus, a); err == nil && ok {
			found.Chip, found.What, found.Note = s.chip, s.what, ""
			return found
		}
	}
	return found
}

func hex(addr uint16) string { return fmt.Sprintf("0x%02x", addr) }

// isNoAck reports whether nobody acknowledged.
func isNoAck(err error) bool {
	return sensors.NameOf(&sensors.Error{Fault: sensors.FaultBus, Err: err}) == sensors.FaultNoAnswer
}
