package main

import (
	"encoding/json"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
)

type tonightOptions struct {
	skyFlags
	finderFlags
	date, csv, svg string
	json           bool
}

func newTonightCommand(e env) *cobra.Command {
	var o tonightOptions
	cmd := &cobra.Command{
		Use:   "tonight [LAT LON]",
		Short: "One night's times: twilight, pole star, window to align, Moon, darkness",
		Long: `The times of the night that follows the local noon of a date, when the pole star shows, the best time to align,
the Moon, and darkness; all in UTC.

LAT and LON in degrees, north and east positive: tonight -31.6 139.3.
--csv reads date,lat_deg,lon_deg,height_m in any order and adds sunset, the twilights and sunrise (the Sun's
centre without air at -0.833, -6, -12, -18 degrees; empty: does not happen); other columns pass through.`,
		DisableFlagParsing: true, // a latitude may be negative
	}
	o.skyFlags.bind(cmd)
	o.bindAir(cmd)
	o.finderFlags.bind(cmd)
	flags := cmd.Flags()
	flags.StringVar(&o.date, "date", "", "2026-09-12: the evening's date at the place (default the present night)")
	flags.BoolVar(&o.json, "json", false, "print JSON")
	flags.StringVar(&o.csv, "csv", "", "compute every row of this CSV `file`; - is standard input")
	flags.StringVar(&o.svg, "svg", "", "write a picture of the night to this `file`; - is standard output")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		args, done, err := parseWithNegatives(cmd, args)
		if done || err != nil {
			return err
		}
		if o.csv != "" {
			if err := refuseWithCSV(cmd, args, append(finderFlagNames(), "lat", "lon", "height-m", "pressure-hpa", "temp-c", "date", "json", "svg")...); err != nil {
				return err
			}
			return tonightTable().runFile(cmd.Context(), e, o.csv)
		}
		r, err := o.report(cmd, args, e.now())
		if err != nil {
			return err
		}
		switch {
		case o.svg == "-":
			_, err = e.stdout.Write(nightSVG(r))
			return err
		case o.svg != "":
			if err := os.WriteFile(o.svg, nightSVG(r), 0o644); err != nil {
				return fmt.Errorf("%w: give a place where a file can be written, or - for standard output", err)
			}
		}
		if o.json {
			return json.NewEncoder(e.stdout).Encode(r)
		}
		_, err = fmt.Fprint(e.stdout, r.text())
		return err
	}
	return cmd
}

// tonightReport is one night, as JSON, as text and as a picture.
type tonightReport struct {
	sky.Night
	Aim astro.Direction `json:"aim"`
	// InFinder is where the pole star belongs during the window to align.
	InFinder []pole.MarkAt `json:"in_finder"`
	Finder   pole.Finder   `json:"finder"`
	sun      []float64     // altitude every sunStep
}

// sunStep is the spacing of the curve in the picture.
const sunStep = 10 * time.Minute

func (o *tonightOptions) report(cmd *cobra.Command, args []string, now time.Time) (tonightReport, error) {
	site, err := o.site(cmd, args)
	if err != nil {
		return tonightReport{}, err
	}
	air, err := o.air(cmd)
	if err != nil {
		return tonightReport{}, err
	}
	finder, err := o.finder()
	if err != nil {
		return tonightReport{}, err
	}
	date := sky.TonightOf(now, site.LonDeg)
	if o.date != "" {
		if date, err = sky.ParseDate(o.date); err != nil {
			return tonightReport{}, usageError{err}
		}
	}
	observer, err := sky.NewObserver(site, air)
	if err != nil {
		return tonightReport{}, err
	}
	night, err := observer.Night(date, sky.FinderView{FieldDeg: finder.FieldDeg, LimitMag: finder.LimitMag})
	if err != nil {
		return tonightReport{}, err
	}
	alt, az, err := pole.Aim(site, pole.Refracted, air)
	if err != nil {
		return tonightReport{}, err
	}
	r := tonightReport{Night: night, Aim: astro.Direction{AzDeg: az, AltDeg: alt}, Finder: finder}
	r.InFinder = finder.Marks(r.Aim, night.Path)
	if o.svg != "" {
		if r.sun, err = observer.SunAltitudes(night.Whole, sunStep); err != nil {
			return tonightReport{}, err
		}
	}
	return r, nil
}

var tonightColumns = []string{"date", "lat_deg", "lon_deg", "height_m"}

func tonightTable() csvTable {
	return csvTable{
		need: tonightColumns,
		add: []string{
			"sunset", "civil_dusk", "nautical_dusk", "astronomical_dusk",
			"astronomical_dawn", "nautical_dawn", "civil_dawn", "sunrise",
		},
		answer: func(in, out []string) error {
			date, err := sky.ParseDate(in[0])
			if err != nil {
				return err
			}
			var v [3]float64
			for i := range v {
				if v[i], err = csvNumber(tonightColumns[i+1], in[i+1]); err != nil {
					return err
				}
			}
			observer, err := sky.NewObserver(astro.Site{LatDeg: v[0], LonDeg: v[1], HeightM: v[2]}, astro.NoAir)
			if err != nil {
				return err
			}
			night, err := observer.Twilight(date)
			if err != nil {
				return err
			}
			for i, at := range night.Times() {
				if at != nil {
					out[i] = at.Format(time.RFC3339)
				}
			}
			return nil
		},
	}
}
