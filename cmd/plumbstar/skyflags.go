package main

import (
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbstar/astro"
	"plumbstar/astro/pole"
)

// skyFlags are the place and the air that the commands of the night sky share.
type skyFlags struct {
	lat, lon, heightM  float64
	pressureHPa, tempC float64
	airMeasured        bool
}

func (f *skyFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.Float64Var(&f.lat, "lat", 0, "latitude, degrees north")
	flags.Float64Var(&f.lon, "lon", 0, "longitude, degrees east")
	flags.Float64Var(&f.heightM, "height-m", 0, "height above the ellipsoid, metres")
}

func (f *skyFlags) bindAir(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.Float64Var(&f.pressureHPa, "pressure-hpa", 0, "air pressure at the site; 0 is no air (default: standard for the height)")
	flags.Float64Var(&f.tempC, "temp-c", 0, "air temperature (default: standard for the height)")
}

// site takes latitude and longitude from the arguments or from the flags.
func (f *skyFlags) site(cmd *cobra.Command, args []string) (astro.Site, error) {
	lat, lon := cmd.Flags().Changed("lat"), cmd.Flags().Changed("lon")
	switch {
	case len(args) == 2 && !lat && !lon:
		for i, at := range []*float64{&f.lat, &f.lon} {
			v, err := strconv.ParseFloat(args[i], 64)
			if err != nil {
				return astro.Site{}, usagef("%q: give latitude and longitude as degrees with a decimal point, south and west negative", args[i])
			}
			*at = v
		}
	case len(args) == 0 && lat && lon:
	default:
		return astro.Site{}, usagef("give the place once: %s LAT LON, or --lat and --lon, or --csv FILE", cmd.Name())
	}
	s := astro.Site{LatDeg: f.lat, LonDeg: f.lon, HeightM: f.heightM}
	if err := s.Validate(); err != nil {
		return astro.Site{}, usageError{err}
	}
	return s, nil
}

// air is what was measured, the rest standard.
func (f *skyFlags) air(cmd *cobra.Command) (astro.Air, error) {
	a := astro.StandardAir(f.heightM)
	pressure, temp := cmd.Flags().Changed("pressure-hpa"), cmd.Flags().Changed("temp-c")
	if pressure {
		a.PressureHPa = f.pressureHPa
	}
	if temp {
		a.TempC = f.tempC
	}
	f.airMeasured = pressure && temp
	if err := a.Validate(); err != nil {
		return a, usageError{err}
	}
	return a, nil
}

// finderFlags describe the user's own finder.
type finderFlags struct {
	pole.Finder
	view    string
	circles string
}

func (f *finderFlags) bind(cmd *cobra.Command) {
	f.Finder = pole.DefaultFinder()
	flags := cmd.Flags()
	flags.StringVar(&f.view, "view", string(f.View), "how the finder shows the night sky: erect, inverted, mirrored or flipped")
	flags.Float64Var(&f.FieldDeg, "field-deg", f.FieldDeg, "diameter of the finder's field")
	flags.Float64Var(&f.LimitMag, "limit-mag", f.LimitMag, "faintest star that the finder shows in a dark sky")
	flags.Float64Var(&f.RotationDeg, "rotation-deg", 0, "turn of the finder's zero mark from the top, clockwise as seen in it")
	flags.IntVar(&f.Hours, "scale-hours", f.Hours, "hours round the finder's scale: 12, 24, or 0 for none")
	flags.BoolVar(&f.CounterClockwise, "counterclockwise", false, "the scale's numbers grow against the clock")
	flags.StringVar(&f.circles, "circles", "", "circles of the finder as `YEAR:ARCMIN,...`, such as 2020:39.6,2030:36.8")
}

// finderFlagNames are the flags of bind.
func finderFlagNames() []string {
	return []string{"view", "field-deg", "limit-mag", "rotation-deg", "scale-hours", "counterclockwise", "circles"}
}

// finder checks the flags.
func (f *finderFlags) finder() (pole.Finder, error) {
	f.View = pole.View(f.view)
	for _, word := range strings.FieldsFunc(f.circles, func(r rune) bool { return r == ',' || r == ' ' }) {
		year, radius, ok := strings.Cut(word, ":")
		y, err1 := strconv.ParseFloat(year, 64)
		r, err2 := strconv.ParseFloat(radius, 64)
		if !ok || err1 != nil || err2 != nil {
			return pole.Finder{}, usagef("--circles %q: give year and radius in arcminutes, such as 2020:39.6", word)
		}
		f.Circles = append(f.Circles, pole.Circle{Year: y, RadiusArcmin: r})
	}
	if err := f.Validate(); err != nil {
		return pole.Finder{}, usageError{err}
	}
	return f.Finder, nil
}

// refuseWithCSV names flags that make no sense beside --csv.
func refuseWithCSV(cmd *cobra.Command, args []string, names ...string) error {
	for _, name := range names {
		if cmd.Flags().Changed(name) {
			return usagef("--csv takes everything from its rows: leave out --%s", name)
		}
	}
	if len(args) > 0 {
		return usagef("--csv takes everything from its rows: leave out %q", args[0])
	}
	return nil
}
