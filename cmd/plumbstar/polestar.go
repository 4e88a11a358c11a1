package main

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
)

type polestarOptions struct {
	skyFlags
	finderFlags
	time, star, aim, csv string
	json                 bool
}

func newPolestarCommand(e env) *cobra.Command {
	var o polestarOptions
	cmd := &cobra.Command{
		Use:   "polestar [LAT LON]",
		Short: "Where the pole star, or another body, belongs in the finder",
		Long: `Where the pole star belongs in the finder while the axis points at the pole, with the stars around it,
which way it moves when a knob is turned, and where it will be.

LAT and LON in degrees, north and east positive: polestar 51.9 8.4. --star takes a HIP number, a name, pole-star
(that of the hemisphere), sun, moon, venus, mars, jupiter or saturn.
--csv reads time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star in any order and adds the place, without
air and refracted, and the offset from the refracted pole; other columns pass through. Pressure 0 is no air.`,
		DisableFlagParsing: true, // a latitude may be negative
	}
	o.skyFlags.bind(cmd)
	o.bindAir(cmd)
	o.finderFlags.bind(cmd)
	flags := cmd.Flags()
	flags.StringVar(&o.time, "time", "", "RFC 3339 such as 2026-09-12T21:30:00Z (default now)")
	flags.StringVar(&o.star, "star", "pole-star", "what to look for")
	flags.StringVar(&o.aim, "aim", string(pole.Refracted), "the pole that is aimed at: refracted or true")
	flags.BoolVar(&o.json, "json", false, "print JSON")
	flags.StringVar(&o.csv, "csv", "", "compute every row of this CSV `file`; - is standard input")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		args, done, err := parseWithNegatives(cmd, args)
		if done || err != nil {
			return err
		}
		if o.csv != "" {
			if err := refuseWithCSV(cmd, args, append(finderFlagNames(), "lat", "lon", "height-m", "pressure-hpa", "temp-c", "time", "star", "aim", "json")...); err != nil {
				return err
			}
			return polestarTable(e).runFile(cmd.Context(), e, o.csv)
		}
		r, err := o.report(cmd, args, e.now())
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

// polestarReport is one body at one moment, as JSON and as text.
type polestarReport struct {
	Time      time.Time `json:"time"`
	LatDeg    float64   `json:"lat_deg"`
	LonDeg    float64   `json:"lon_deg"`
	HeightM   float64   `json:"height_m"`
	Pressure  float64   `json:"pressure_hpa"`
	TempC     float64   `json:"temp_c"`
	AimedAt   pole.Kind `json:"aim_kind"`
	Caution   string    `json:"caution,omitempty"`
	RADeg     float64   `json:"ra_deg"`
	DecDeg    float64   `json:"dec_deg"`
	HourAngle float64   `json:"hour_angle_deg"`
	// Airless and seen; nothing is seen below the horizon.
	AzDeg        float64      `json:"azimuth_deg"`
	AltDeg       float64      `json:"altitude_deg"`
	AltSeenDeg   *float64     `json:"altitude_refracted_deg"`
	Accuracy     sky.Accuracy `json:"accuracy"`
	AboveHorizon bool         `json:"above_horizon"`
	Finder       pole.Finder  `json:"finder"`
	pole.Guide                // what stands in the finder
	hemisphere   astro.Hemisphere
}

// The star's way is shown for an hour, every ten minutes.
const (
	laterSteps   = 7
	laterMinutes = 60
)

func (o *polestarOptions) report(cmd *cobra.Command, args []string, now time.Time) (polestarReport, error) {
	site, err := o.site(cmd, args)
	if err != nil {
		return polestarReport{}, err
	}
	air, err := o.air(cmd)
	if err != nil {
		return polestarReport{}, err
	}
	finder, err := o.finder()
	if err != nil {
		return polestarReport{}, err
	}
	at := astro.InstantOf(now.Round(time.Second))
	if o.time != "" {
		if at, err = astro.ParseInstant(o.time); err != nil {
			return polestarReport{}, usageError{err}
		}
	}
	target, err := sky.FindTarget(o.star, site.Hemisphere())
	if err != nil {
		return polestarReport{}, usageError{err}
	}
	aimAlt, aimAz, err := pole.Aim(site, pole.Kind(o.aim), air)
	if err != nil {
		return polestarReport{}, usageError{err}
	}
	aim := astro.Direction{AzDeg: aimAz, AltDeg: aimAlt}
	m, err := sky.At(at)
	if err != nil {
		return polestarReport{}, err
	}
	observer, err := sky.NewObserver(site, air)
	if err != nil {
		return polestarReport{}, err
	}
	p := target.Place(observer, &m)
	later, err := observer.Path(target, astro.Span{From: at.Time(), Until: at.Time().Add(laterMinutes * time.Minute)}, laterSteps)
	if err != nil {
		return polestarReport{}, err
	}
	r := polestarReport{
		Time: at.Time(), LatDeg: site.LatDeg, LonDeg: site.LonDeg, HeightM: site.HeightM, Pressure: air.PressureHPa, TempC: air.TempC,
		AimedAt: pole.Kind(o.aim), Caution: sky.Caution(target.BodyName()),
		RADeg: p.RADeg, DecDeg: p.DecDeg, HourAngle: p.HourAngleDeg,
		AzDeg: p.Airless.AzDeg, AltDeg: p.Airless.AltDeg, AboveHorizon: p.Visible,
		Guide:  finder.Guide(aim, target.Seen(observer, &m), later, observer.Field(&m, finder.LimitMag)),
		Finder: finder, hemisphere: site.Hemisphere(),
	}
	if p.Visible {
		r.AltSeenDeg = &p.Seen.AltDeg
	}
	r.Accuracy = observer.Accuracy(p, target.BodyName(), o.airMeasured, r.Mark.OffsetArcmin)
	return r, nil
}
