package main

import (
	"fmt"
	"slices"
	"strings"
)

// propose gives the lines of a settings file for the two best accelerometers and
// magnetometers that were found, best as drivers lists them; "" when there is
// nothing to propose.
func (r scanReport) propose() string {
	var s strings.Builder
	for _, section := range []struct {
		name  string
		chips []string
		takes func(what string) bool
	}{
		{"inertial", inertialChips(), func(what string) bool { return what != compass }},
		{"magnetic", magneticChips(), func(what string) bool { return what == compass }},
	} {
		found := r.candidates(section.chips, section.takes)
		if len(found) == 0 {
			continue
		}
		if s.Len() > 0 {
			s.WriteString("\n")
		}
		c := found[0]
		fmt.Fprintf(&s, "[%s]\nchip = %q\nbus = %q\naddress = %s\n", section.name, c.chip, c.bus, c.address)
		if section.name == "inertial" {
			s.WriteString("# Which of its axes, as printed on the board, points along the tracker's axis\n" +
				"# toward the night sky, and which one up:\n")
		}
		s.WriteString(mountLines)
		more := found[1:]
		if len(more) > 0 {
			fmt.Fprintf(&s, "\n[%s2]\nchip = %q\nbus = %q\naddress = %s\n%s", section.name, more[0].chip, more[0].bus, more[0].address, mountLines)
			more = more[1:]
		}
		for _, c := range more {
			fmt.Fprintf(&s, "# also found: chip = %q, bus = %q, address = %s\n", c.chip, c.bus, c.address)
		}
	}
	return s.String()
}

const mountLines = "forward = \"+x\"\nup = \"+z\"\n"

// candidate is a chip that a section of the settings could name.
type candidate struct {
	chip, bus, address string
	rank               int
}

// candidates are the supported chips of one kind, best first.
func (r scanReport) candidates(chips []string, takes func(what string) bool) []candidate {
	var out []candidate
	add := func(chip, bus, address string) {
		if rank := slices.Index(chips, chip); rank >= 0 {
			out = append(out, candidate{chip, bus, address, rank})
		}
	}
	for _, b := range r.Buses {
		for _, d := range b.Found {
			if d.Supported && takes(d.What) {
				add(d.Setting, b.Name, d.Address)
			}
			// It answers only once its way is opened.
			if d.Inside != "" && takes(compass) {
				add(d.Inside, b.Name, "0x0c")
			}
		}
	}
	slices.SortStableFunc(out, func(a, b candidate) int { return a.rank - b.rank })
	return slices.CompactFunc(out, func(a, b candidate) bool { return a == b })
}
