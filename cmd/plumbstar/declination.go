package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
)

type declinationOptions struct {
	lat, lon, heightM float64
	date, model, csv  string
	json              bool
}

func newDeclinationCommand(e env) *cobra.Command {
	var o declinationOptions
	cmd := &cobra.Command{
		Use:   "declination [LAT LON]",
		Short: "Magnetic declination, dip and strength at a place",
		Long: `Magnetic declination, dip and strength from the World Magnetic Model, each with its 1-sigma.

LAT and LON in degrees, north and east positive, geodetic (WGS 84): declination -31.6 139.3.
--csv reads lat_deg,lon_deg,height_km,decimal_year in any order and adds the elements;
other columns pass through.`,
		DisableFlagParsing: true, // a latitude may be negative
	}
	flags := cmd.Flags()
	flags.Float64Var(&o.lat, "lat", 0, "latitude, degrees north")
	flags.Float64Var(&o.lon, "lon", 0, "longitude, degrees east")
	flags.Float64Var(&o.heightM, "height-m", 0, "height above the ellipsoid, metres")
	flags.StringVar(&o.date, "date", "", "2026-09-12, RFC 3339 or a decimal year (default now)")
	flags.StringVar(&o.model, "model", "", "coefficient `file` in the format of WMM.COF (default the built-in WMM2025)")
	flags.BoolVar(&o.json, "json", false, "print JSON")
	flags.StringVar(&o.csv, "csv", "", "compute every row of this CSV `file`; - is standard input")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		args, done, err := parseWithNegatives(cmd, args)
		if done || err != nil {
			return err
		}
		if o.csv != "" {
			for _, other := range []string{"lat", "lon", "height-m", "date", "json"} {
				if cmd.Flags().Changed(other) {
					return usagef("--csv takes place and date from its rows: leave out --%s", other)
				}
			}
			if len(args) > 0 {
				return usagef("--csv takes the places from its rows: leave out %q", args[0])
			}
			model, err := loadGeomag(o.model)
			if err != nil {
				return err
			}
			return declinationTable(model).runFile(cmd.Context(), e, o.csv)
		}
		if err := o.place(cmd, args); err != nil {
			return err
		}
		at, year, err := parseDate(o.date, e.now())
		if err != nil {
			return err
		}
		model, err := loadGeomag(o.model)
		if err != nil {
			return err
		}
		r, err := o.report(model, at, year)
		if err != nil {
			return err
		}
		if o.json {
			enc := json.NewEncoder(e.stdout)
			return enc.Encode(r)
		}
		_, err = fmt.Fprint(e.stdout, r.text())
		return err
	}
	return cmd
}

// place takes latitude and longitude from the arguments or from the flags.
func (o *declinationOptions) place(cmd *cobra.Command, args []string) error {
	lat, lon := cmd.Flags().Changed("lat"), cmd.Flags().Changed("lon")
	switch {
	case len(args) == 2 && !lat && !lon:
		for i, at := range []*float64{&o.lat, &o.lon} {
			v, err := strconv.ParseFloat(args[i], 64)
			if err != nil {
				return usagef("%q: give latitude and longitude as degrees with a decimal point, south and west negative", args[i])
			}
			*at = v
		}
		return nil
	case len(args) == 0 && lat && lon:
		return nil
	}
	return usagef("give the place once: declination LAT LON, or --lat and --lon, or --csv FILE")
}

// parseDate reads a day, an RFC 3339 time or a decimal year.
func parseDate(text string, now time.Time) (at time.Time, year float64, err error) {
	if text == "" {
		return now.UTC(), astro.DecimalYear(now), nil
	}
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return day, astro.DecimalYear(day), nil
	}
	if year, err := strconv.ParseFloat(text, 64); err == nil && year >= 1 && year < 9999 {
		whole := math.Floor(year)
		start := time.Date(int(whole), time.January, 1, 0, 0, 0, 0, time.UTC)
		length := time.Date(int(whole)+1, time.January, 1, 0, 0, 0, 0, time.UTC).Sub(start)
		return start.Add(time.Duration((year - whole) * float64(length))).Round(time.Second), year, nil
	}
	i, err := astro.ParseInstant(text)
	if err != nil {
		return time.Time{}, 0, usagef("--date %.40q: give a day such as 2026-09-12, RFC 3339 such as 2026-09-12T21:30:00Z, or a decimal year such as 2026.7", text)
	}
	return i.Time(), i.DecimalYear(), nil
}

// loadGeomag reads a coefficient file; the empty path is the built-in model.
func loadGeomag(path string) (*geomag.Model, error) {
	if path == "" {
		return geomag.WMM2025(), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w: give a coefficient file in the format of WMM.COF", err)
	}
	defer f.Close()
	m, err := geomag.Load(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return m, nil
}

// declinationTable computes rows: six decimals, as the published tables have,
// four for the sigma.
func declinationTable(m *geomag.Model) csvTable {
	need := []string{"lat_deg", "lon_deg", "height_km", "decimal_year"}
	return csvTable{
		need: need,
		add: []string{
			"declination_deg", "inclination_deg", "total_nT", "horizontal_nT",
			"north_nT", "east_nT", "down_nT", "declination_sigma_deg",
		},
		answer: func(in, out []string) error {
			var v [4]float64
			for i, cell := range in {
				var err error
				if v[i], err = csvNumber(need[i], cell); err != nil {
					return err
				}
			}
			f, err := m.At(v[0], v[1], v[2], v[3])
			if err != nil {
				return err
			}
			for i, x := range [...]float64{f.DeclinationDeg, f.InclinationDeg, f.TotalNT, f.HorizontalNT, f.NorthNT, f.EastNT, f.DownNT} {
				out[i] = csvFixed(x, 6)
			}
			out[7] = csvFixed(f.DeclinationSigmaDeg, 4)
			return nil
		},
	}
}
