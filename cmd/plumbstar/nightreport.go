package main

import (
	"github.com/spf13/cobra"

	"plumbstar/api/report"
)

func newNightReportCommand(e env) *cobra.Command {
	var f logFlags
	var o report.Options
	c := &cobra.Command{
		Use:   "report [NIGHT]",
		Short: "Write a page about a night: what moved, plots, events",
		Long: `Write one page about a night to standard output, as HTML that needs nothing
from elsewhere: a few sentences, plots of altitude and azimuth against the aim,
temperature, field and vibration on one time axis, the events, the settings and
calibrations used, and what is not known. It prints on A4 in black on white.
NIGHT is a number that "plumbstar nights" shows, or "last" (the default).

    plumbstar nights report 12 > night12.html`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usagef("nights report takes one night, got %q", args)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.Lang != "en" && o.Lang != "de" {
				return usagef("--lang %q: give one of %v", o.Lang, report.Languages())
			}
			night, err := parseOneNight(args)
			if err != nil {
				return err
			}
			r, err := f.open(cmd.Context())
			if err != nil {
				return err
			}
			defer r.Close()
			o.Version = version
			return report.Write(cmd.Context(), e.stdout, r, night, o)
		},
	}
	f.add(c)
	f.addFrom(c)
	c.Flags().StringVar(&o.Lang, "lang", "en", "language: en or de")
	c.Flags().BoolVar(&o.Night, "red", false, "begin in dark red on the screen; the page can switch")
	return c
}
