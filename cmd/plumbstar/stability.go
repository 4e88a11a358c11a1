package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"github.com/spf13/cobra"

	"plumbstar/sensors/stability"
)

func newStabilityCommand(e env) *cobra.Command {
	var taus []string
	var log logFlags
	var night string
	c := &cobra.Command{
		Use:   "stability FILE | stability --night NIGHT",
		Short: "Measure noise, drift and temperature dependence on a recording at rest",
		Long: `Measure how steady the sensors are, on a recording of a board that lay still.

FILE is comma-separated with the columns t_s,ax,ay,az (seconds, m/s2) and, where
there are, gx,gy,gz (rad/s), mx,my,mz (uT), temp_C; gzip accepted. The answer is
JSON: for each channel the overlapping Allan deviation by averaging time, its
minimum up to a fifth of the recording, drift per hour, temperature coefficient
and hysteresis; under "tilt" the same of the elevation of the chip's x, y and z
axis in degrees. What a recording does not tell is null, with the reason. A
recording during which the board was moved is refused.

With --night the readings are those of the night log: seconds under watch, without
the first 20 minutes and without what moved; the pieces between moves are compared
each with itself. The Allan deviation is that of the longest piece, from one
second on. A coefficient of one night contains the drift of that night; several
nights together say more, and the daemon offers what they teach.`,
		Example: `  plumbstar stability still.csv --tau 1,10,100
  plumbstar stability --night last`,
		Args: func(cmd *cobra.Command, args []string) error {
			if night == "" {
				for _, name := range []string{"config", "state-dir", "from"} {
					if cmd.Flags().Changed(name) {
						return usagef("--%s is for --night NIGHT: a file needs none", name)
					}
				}
				if len(args) != 1 {
					return usagef("stability takes one file or --night NIGHT, got %d arguments", len(args))
				}
				return nil
			}
			if len(args) > 0 {
				return usagef("give a file or --night, not both")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			tauS, err := averagingTimes(taus)
			if err != nil {
				return err
			}
			if night != "" {
				return measureNight(cmd.Context(), e, &log, night, tauS)
			}
			return measureStability(e, args[0], tauS)
		},
	}
	c.Flags().StringSliceVar(&taus, "tau", nil, "averaging times in seconds, comma-separated (default: ten a decade, up to a fifth of the recording)")
	c.Flags().StringVar(&night, "night", "", "a night of the log instead of a file: a number that plumbstar nights shows, or last")
	log.add(c)
	log.addFrom(c)
	return c
}

func averagingTimes(cells []string) ([]float64, error) {
	var out []float64
	for _, c := range cells {
		v, err := strconv.ParseFloat(c, 64)
		if err != nil || !(v > 0) || math.IsInf(v, 0) {
			return nil, usagef("--tau %q: give seconds above 0, for example --tau 1,10,100", c)
		}
		out = append(out, v)
	}
	return out, nil
}

func measureStability(e env, path string, tauS []float64) error {
	in, mag, err := readRecording(path)
	if err != nil {
		return err
	}
	r, err := stability.Analyse(in, mag, tauS)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	enc := json.NewEncoder(e.stdout)
	enc.SetIndent("", " ")
	return enc.Encode(stabilityReport(r))
}

// stabilityJSON is what the command prints. Numbers of a channel are in its unit.
type stabilityJSON struct {
	Night     int64                  `json:"night,omitempty"`
	Stretches int                    `json:"stretches,omitempty"` // pieces of a night between moves
	DurationS float64                `json:"duration_s"`          // of a night, the time at rest
	MinC      *float64               `json:"temperature_min_c"`
	MaxC      *float64               `json:"temperature_max_c"`
	Channels  map[string]channelJSON `json:"channels"`
	Tilt      map[string]axisJSON    `json:"tilt"`
}

type channelJSON struct {
	Unit    string      `json:"unit"`
	Mean    float64     `json:"mean"`
	Allan   []allanJSON `json:"allan"`
	Minimum minimumJSON `json:"minimum"`

	PerHour       estimateJSON `json:"drift_per_h"`
	SteadyPerHour estimateJSON `json:"drift_at_one_temperature_per_h"`
	PerC          estimateJSON `json:"temperature_coefficient_per_c"`
	Hysteresis    estimateJSON `json:"hysteresis"`
}

type allanJSON struct {
	TauS      float64 `json:"tau_s"`
	Deviation float64 `json:"deviation"`
	Sigma     float64 `json:"sigma"` // of deviation
}

type minimumJSON struct {
	allanJSON
	StillFalling bool `json:"still_falling"` // a longer recording may show a lower one
}

type axisJSON struct {
	ElevationDeg     float64      `json:"elevation_deg"`
	DegPerHour       estimateJSON `json:"drift_deg_per_h"`
	SteadyDegPerHour estimateJSON `json:"drift_at_one_temperature_deg_per_h"`
	DegPerC          estimateJSON `json:"temperature_coefficient_deg_per_c"`
	HysteresisDeg    estimateJSON `json:"hysteresis_deg"`
}

type estimateJSON struct {
	Value *float64 `json:"value"`
	Sigma *float64 `json:"sigma"`
	Why   string   `json:"why,omitempty"` // value is null
}

func estimateReport(x stability.Estimate) estimateJSON {
	if !x.Known {
		return estimateJSON{Why: x.Why}
	}
	return estimateJSON{Value: &x.Value, Sigma: &x.Sigma}
}

func stabilityReport(r stability.Report) stabilityJSON {
	out := stabilityJSON{DurationS: r.DurationS, Channels: map[string]channelJSON{}, Tilt: map[string]axisJSON{}}
	if !math.IsNaN(r.MinC) {
		out.MinC, out.MaxC = &r.MinC, &r.MaxC
	}
	point := func(p stability.Point) allanJSON { return allanJSON{p.TauS, p.Deviation, p.Sigma} }
	for _, c := range r.Channels {
		j := channelJSON{
			Unit: c.Unit, Mean: c.Mean, Minimum: minimumJSON{point(c.Minimum), c.MinimumAtEnd},
			PerHour: estimateReport(c.Trend.PerHour), SteadyPerHour: estimateReport(c.Trend.SteadyPerHour),
			PerC: estimateReport(c.Trend.PerC), Hysteresis: estimateReport(c.Trend.Hysteresis),
		}
		for _, p := range c.Allan {
			j.Allan = append(j.Allan, point(p))
		}
		out.Channels[c.Name] = j
	}
	for i, a := range r.Tilt {
		out.Tilt[string("xyz"[i])] = axisJSON{
			ElevationDeg: a.ElevationDeg,
			DegPerHour:   estimateReport(a.Trend.PerHour), SteadyDegPerHour: estimateReport(a.Trend.SteadyPerHour),
			DegPerC: estimateReport(a.Trend.PerC), HysteresisDeg: estimateReport(a.Trend.Hysteresis),
		}
	}
	return out
}
