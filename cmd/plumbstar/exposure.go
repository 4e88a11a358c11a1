package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbstar/astro"
	"plumbstar/astro/trail"
)

type exposureOptions struct {
	kit                      trail.Kit
	projection, sensor       string
	errorArcmin, sigmaArcmin float64
	highArcmin, eastArcmin   float64
	exposures                []float64
	at, hemisphere, csv      string
	rollDeg                  float64
	json                     bool
}

func newExposureCommand(e env) *cobra.Command {
	var o exposureOptions
	cmd := &cobra.Command{
		Use:   "exposure --focal-mm F --pixel-um P",
		Short: "What an alignment is good for, and what a wish needs",
		Long: `How long a lens can expose before stars trail, given how far the axis is off the pole, and the other way round.
The error is the angle between axis and pole; --high-arcmin and --east-arcmin give it with its direction, and
--at then looks at one part of the night sky instead of the worst.
--csv reads focal_mm,pixel_um,trail_px,error_arcmin,error_sigma_arcmin,exposure_s in any order and adds the verdict;
other columns pass through; longest_s and sure_s are inf where no exposure is too long.`,
		Args: noArgs,
	}
	flags := cmd.Flags()
	flags.Float64Var(&o.kit.FocalMM, "focal-mm", 0, "focal length")
	flags.Float64Var(&o.kit.PixelUM, "pixel-um", 4, "pitch of the camera's pixels")
	flags.Float64Var(&o.kit.TrailPx, "trail-px", 1, "longest trail that passes as a point, pixels")
	flags.StringVar(&o.sensor, "sensor", "36x24", "sensor `WIDTHxHEIGHT` in mm, for the corners")
	flags.StringVar(&o.projection, "projection", string(trail.Rectilinear), "of the lens: "+projections())
	flags.Float64Var(&o.errorArcmin, "error-arcmin", 0, "angle between axis and pole")
	flags.Float64Var(&o.sigmaArcmin, "sigma-arcmin", 0, "1-sigma uncertainty of the error, in either direction")
	flags.Float64Var(&o.highArcmin, "high-arcmin", 0, "how much the axis is too high, instead of --error-arcmin")
	flags.Float64Var(&o.eastArcmin, "east-arcmin", 0, "how much the axis is too far east, on the night sky")
	flags.Float64SliceVar(&o.exposures, "exposure-s", []float64{30, 60, 120, 240, 480}, "exposures to judge, `SECONDS,...`")
	flags.StringVar(&o.at, "at", "", "part of the night sky as `HOUR_ANGLE,DECLINATION` in degrees, hour angle west positive")
	flags.StringVar(&o.hemisphere, "hemisphere", string(astro.North), "north or south, with --at")
	flags.Float64Var(&o.rollDeg, "roll-deg", 0, "position angle of the picture's upper edge, with --at")
	flags.BoolVar(&o.json, "json", false, "print JSON")
	flags.StringVar(&o.csv, "csv", "", "compute every row of this CSV `file`; - is standard input")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if o.csv != "" {
			if err := refuseWithCSV(cmd, args, "focal-mm", "pixel-um", "trail-px", "sensor", "projection", "error-arcmin", "sigma-arcmin",
				"high-arcmin", "east-arcmin", "exposure-s", "at", "hemisphere", "roll-deg", "json"); err != nil {
				return err
			}
			return exposureTable().runFile(cmd.Context(), e, o.csv)
		}
		r, err := o.report(cmd)
		if err != nil {
			return err
		}
		if o.json {
			return json.NewEncoder(e.stdout).Encode(r)
		}
		_, err = fmt.Fprint(e.stdout, r.text())
		return err
	}
	return cmd
}

func projections() string {
	var names []string
	for _, p := range trail.Projections() {
		names = append(names, string(p))
	}
	return strings.Join(names, ", ")
}

// exposureReport is what one kit and one error come to.
type exposureReport struct {
	FocalMM     float64          `json:"focal_mm"`
	PixelUM     float64          `json:"pixel_um"`
	TrailPx     float64          `json:"trail_px"`
	WidthMM     float64          `json:"sensor_width_mm"`
	HeightMM    float64          `json:"sensor_height_mm"`
	Projection  trail.Projection `json:"projection"`
	ErrorKnown  bool             `json:"error_known"`
	ErrorArcmin float64          `json:"error_arcmin"`
	// The sigma is the larger of both directions.
	SigmaArcmin float64 `json:"error_sigma_arcmin"`
	// Null: no exposure is too long.
	LongestS       *float64        `json:"longest_s"`
	SureS          *float64        `json:"sure_s"`
	CornerLongestS *float64        `json:"corner_longest_s"`
	CornerSureS    *float64        `json:"corner_sure_s"`
	Exposures      []exposureLine  `json:"exposures"`
	Picture        *pictureExposed `json:"picture"`
}

// exposureLine is the judgement of one exposure; the worst place of the night sky.
type exposureLine struct {
	ExposureS           float64        `json:"exposure_s"`
	Verdict             *trail.Verdict `json:"verdict"` // null without an error to judge
	Probability         *float64       `json:"probability"`
	TrailPx             *float64       `json:"trail_px"`
	AllowedArcmin       float64        `json:"allowed_arcmin"`
	CornerVerdict       *trail.Verdict `json:"corner_verdict"`
	CornerAllowedArcmin float64        `json:"corner_allowed_arcmin"`
}

// pictureExposed is one part of the night sky.
type pictureExposed struct {
	HourAngleDeg      float64          `json:"hour_angle_deg"`
	DecDeg            float64          `json:"dec_deg"`
	Hemisphere        astro.Hemisphere `json:"hemisphere"`
	NorthPerMin       float64          `json:"north_arcsec_per_min"`
	EastPerMin        float64          `json:"east_arcsec_per_min"`
	RotationPerMin    float64          `json:"rotation_arcsec_per_min"`
	LongestS          *float64         `json:"longest_s"`
	LongestWithCorner *float64         `json:"longest_with_corners_s"`
	TrailsPx          []pictureTrail   `json:"trails"`
}

type pictureTrail struct {
	ExposureS float64   `json:"exposure_s"`
	CentrePx  float64   `json:"centre_px"`
	CornersPx []float64 `json:"corners_px"` // upper left, upper right, lower left, lower right
}

// error reads the alignment's error; false when none was given.
func (o *exposureOptions) error(cmd *cobra.Command) (trail.Error, bool, error) {
	size := cmd.Flags().Changed("error-arcmin")
	vector := cmd.Flags().Changed("high-arcmin") || cmd.Flags().Changed("east-arcmin")
	if size && vector {
		return trail.Error{}, false, usagef("give the error once: --error-arcmin, or --high-arcmin with --east-arcmin")
	}
	if o.errorArcmin < 0 {
		return trail.Error{}, false, usagef("--error-arcmin %v: give 0 or more", o.errorArcmin)
	}
	if vector {
		return trail.Error{HighArcmin: o.highArcmin, EastArcmin: o.eastArcmin, HighSigmaArcmin: o.sigmaArcmin, EastSigmaArcmin: o.sigmaArcmin}, true, nil
	}
	return trail.ErrorOfSize(o.errorArcmin, o.sigmaArcmin), size, nil
}

func (o *exposureOptions) report(cmd *cobra.Command) (exposureReport, error) {
	k := o.kit
	k.Projection = trail.Projection(o.projection)
	if o.sensor != "" {
		width, height, ok := strings.Cut(o.sensor, "x")
		w, err1 := strconv.ParseFloat(width, 64)
		h, err2 := strconv.ParseFloat(height, 64)
		if !ok || err1 != nil || err2 != nil {
			return exposureReport{}, usagef("--sensor %q: give width and height in mm such as 36x24", o.sensor)
		}
		k.SensorWidthMM, k.SensorHeightMM = w, h
	}
	if err := k.Validate(); err != nil {
		return exposureReport{}, usageError{err}
	}
	e, given, err := o.error(cmd)
	if err != nil {
		return exposureReport{}, err
	}
	r := exposureReport{FocalMM: k.FocalMM, PixelUM: k.PixelUM, TrailPx: k.TrailPx, WidthMM: k.SensorWidthMM, HeightMM: k.SensorHeightMM,
		Projection: k.Projection, ErrorKnown: given, ErrorArcmin: e.Size(), SigmaArcmin: math.Max(e.HighSigmaArcmin, e.EastSigmaArcmin)}
	for _, seconds := range o.exposures {
		j, err := trail.Judge(k, seconds, e)
		if err != nil {
			return exposureReport{}, usageError{err}
		}
		line := exposureLine{ExposureS: seconds, AllowedArcmin: j.AllowedArcmin, CornerAllowedArcmin: j.CornerAllowedArcmin}
		if given {
			line.Verdict, line.CornerVerdict, line.Probability, line.TrailPx = &j.Verdict, &j.CornerVerdict, &j.Probability, &j.TrailPx
			r.LongestS, r.SureS, r.CornerLongestS, r.CornerSureS = known(j.LongestS), known(j.SureS), known(j.CornerLongestS), known(j.CornerSureS)
		}
		r.Exposures = append(r.Exposures, line)
	}
	if o.at == "" {
		return r, nil
	}
	if !given || cmd.Flags().Changed("error-arcmin") {
		return r, usagef("--at needs the error with its direction: --high-arcmin and --east-arcmin")
	}
	r.Picture, err = o.picture(k, e)
	return r, err
}

// picture looks at one part of the night sky.
func (o *exposureOptions) picture(k trail.Kit, e trail.Error) (*pictureExposed, error) {
	hour, dec, ok := strings.Cut(o.at, ",")
	h, err1 := strconv.ParseFloat(hour, 64)
	d, err2 := strconv.ParseFloat(dec, 64)
	if !ok || err1 != nil || err2 != nil || !(math.Abs(h) <= 360) || !(math.Abs(d) <= 90) {
		return nil, usagef("--at %q: give hour angle and declination in degrees such as -45,20", o.at)
	}
	hemisphere := astro.Hemisphere(o.hemisphere)
	if hemisphere != astro.North && hemisphere != astro.South {
		return nil, usagef("--hemisphere %q: give north or south", o.hemisphere)
	}
	frame := trail.Frame{Centre: trail.Star{HourAngleDeg: h, DecDeg: d}, RollDeg: o.rollDeg}
	rates := trail.RatesAt(e, hemisphere, frame.Centre)
	p := &pictureExposed{HourAngleDeg: h, DecDeg: d, Hemisphere: hemisphere,
		NorthPerMin: rates.NorthArcsecPerMin, EastPerMin: rates.EastArcsecPerMin, RotationPerMin: rates.RotationArcsecPerMin}
	for _, corners := range []bool{false, true} {
		longest, err := trail.LongestInS(k, e, hemisphere, frame, corners)
		if err != nil {
			return nil, err
		}
		if corners {
			p.LongestWithCorner = known(longest)
		} else {
			p.LongestS = known(longest)
		}
	}
	for _, seconds := range o.exposures {
		t, err := trail.TrailsIn(k, e, hemisphere, frame, seconds)
		if err != nil {
			return nil, err
		}
		line := pictureTrail{ExposureS: seconds, CentrePx: t.CentrePx}
		for _, c := range t.CornersPx {
			if math.IsInf(c, 1) {
				return nil, fmt.Errorf("after %v s stars leave the lens's view: ask for a shorter exposure", seconds)
			}
			line.CornersPx = append(line.CornersPx, c)
		}
		p.TrailsPx = append(p.TrailsPx, line)
	}
	return p, nil
}
