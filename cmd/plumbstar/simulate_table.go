package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"plumbstar/daemon/scenario"
)

// printSimulation writes the figures as a table.
func printSimulation(w io.Writer, r simulateResult) error {
	fmt.Fprintf(w, "%d nights, seed %d, site %s, board %s\n\n", r.Nights, r.Seed, r.Site, r.Board)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(cells ...any) {
		for _, c := range cells {
			fmt.Fprintf(t, "%v\t", c)
		}
		fmt.Fprintln(t)
	}
	pc := func(v float64) string { return fmt.Sprintf("%.1f %%", 100*v) }
	three := func(c coverage) string {
		return fmt.Sprintf("%.1f / %.1f / %.1f %%", 100*c.Altitude, 100*c.Azimuth, 100*c.Total)
	}
	head := []any{""}
	for _, way := range scenario.Ways() {
		head = append(head, column(way))
	}
	row(head...)
	line := func(name string, cell func(wayResult) string) {
		cells := []any{name}
		for _, way := range scenario.Ways() {
			cells = append(cells, cell(r.Ways[way]))
		}
		row(cells...)
	}
	line("pole star in the finder", func(x wayResult) string { return pc(x.StarInFinder) })
	line("error at the end, half / 95 %", func(x wayResult) string { return fmt.Sprintf("%.2f° / %.2f°", x.FinalError.P50, x.FinalError.P95) })
	line("stated sigma, altitude / azimuth", func(x wayResult) string { return fmt.Sprintf("%.2f° / %.2f°", x.AltSigma, x.AzSigma) })
	line("turning knobs, half / 95 %", func(x wayResult) string { return fmt.Sprintf("%.0f / %.0f s", x.KnobS.Median, x.KnobS.P95) })
	line("steady, but off by over 4 sigma", func(x wayResult) string { return fmt.Sprintf("%.3f %%", 100*x.Beyond) })
	row("within the 95 % bound:", "", "", "")
	for _, state := range scenario.States() {
		line(state, func(x wayResult) string {
			if c, ok := x.States[state]; ok {
				return three(c)
			}
			return "-"
		})
	}
	row("(altitude / azimuth / both)", "", "", "")
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w, "\nParts of the budget, truth within 95 % (evenings by compass)")
	for _, p := range r.Parts {
		alt := "       "
		if p.Altitude > 0 {
			alt = fmt.Sprintf("%5.1f %%", 100*p.Altitude)
		}
		fmt.Fprintf(w, "  %-40s altitude %s  azimuth %5.1f %%\n", p.Part, alt, 100*p.Azimuth)
	}
	s, h := r.Settle, r.Handling
	_, err := fmt.Fprintf(w, `
After standing still: altitude within 0.02°, white noise alone %.2f s, measured %.1f s,
by the program's word %.2f s (95 %%: %.2f s); steady after %.2f s (95 %%: %.2f s)
Bench calibration refused and repeated in %s of nights, never accepted in %s;
turn of the head refused in %s of evenings, turn check in %s
`, s.WhiteNoiseS, s.NoiseS, s.StatedS.Median, s.StatedS.P95, s.SteadyS.Median, s.SteadyS.P95,
		pc(h.BenchRepeated), pc(h.Uncalibrated), pc(h.HeadRefused), pc(h.TurnRefused))
	if x := r.Watch; x != nil && err == nil {
		_, err = fmt.Fprintf(w, "Under watch: %d knocks, %.3f %% seen within 2 s; %.2f false alarms in 100 nights\n", x.Knocks, 100*x.SeenIn, x.False)
	}
	return err
}

// column names a way.
func column(w scenario.Way) string {
	switch w {
	case scenario.TurnCheck:
		return "and turn check"
	case scenario.Sighting:
		return "and one sighting"
	}
	return "compass"
}
