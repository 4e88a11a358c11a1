package main

import (
	"fmt"
	"strings"

	"plumbstar/astro/trail"
)

// text is the page for a person.
func (r exposureReport) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%g mm %s, pixels of %g um, trails up to %g px pass\n", r.FocalMM, r.Projection, r.PixelUM, r.TrailPx)
	if !r.ErrorKnown {
		b.WriteString("\n  exposure   axis within   for the corners too\n")
		for _, l := range r.Exposures {
			fmt.Fprintf(&b, "  %6g s   %9.1f'   %9.1f'\n", l.ExposureS, l.AllowedArcmin, l.CornerAllowedArcmin)
		}
		b.WriteString("\nGive --error-arcmin to judge an alignment.\n")
		return b.String()
	}
	fmt.Fprintf(&b, "Axis %.1f' ± %.1f' off the pole\n\n", r.ErrorArcmin, r.SigmaArcmin)
	fmt.Fprintf(&b, "  longest exposure %s, surely %s; for the corners too %s, surely %s\n\n",
		seconds(r.LongestS), seconds(r.SureS), seconds(r.CornerLongestS), seconds(r.CornerSureS))
	b.WriteString("  exposure   points?    trail     axis within   corners?\n")
	for _, l := range r.Exposures {
		fmt.Fprintf(&b, "  %6g s   %-8s %6.2f px   %8.1f'   %s\n", l.ExposureS, *l.Verdict, *l.TrailPx, l.AllowedArcmin, *l.CornerVerdict)
	}
	fmt.Fprintf(&b, "\nyes: at least 95 %% sure; probably: more likely than not. For the worst part of the night sky.\n")
	if p := r.Picture; p != nil {
		b.WriteString(p.text())
	}
	b.WriteString("Of the axis alone: drive, wind and bending are not in it.\n")
	return b.String()
}

func (p *pictureExposed) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "\nAt hour angle %g°, declination %g° in the %s: drift %.2f\" north and %.2f\" east a minute, field rotation %.2f\" a minute\n",
		p.HourAngleDeg, p.DecDeg, p.Hemisphere, p.NorthPerMin, p.EastPerMin, p.RotationPerMin)
	fmt.Fprintf(&b, "  longest exposure %s, with the corners %s\n", seconds(p.LongestS), seconds(p.LongestWithCorner))
	for _, t := range p.TrailsPx {
		fmt.Fprintf(&b, "  %6g s   centre %.2f px, corners %.2f %.2f %.2f %.2f px\n", t.ExposureS, t.CentrePx, t.CornersPx[0], t.CornersPx[1], t.CornersPx[2], t.CornersPx[3])
	}
	return b.String()
}

// seconds writes an exposure; null has no limit.
func seconds(s *float64) string {
	switch {
	case s == nil:
		return "without limit"
	case *s < 10:
		return fmt.Sprintf("%.1f s", *s)
	case *s < 3600:
		return fmt.Sprintf("%.0f s", *s)
	}
	return fmt.Sprintf("%.1f h", *s/3600)
}

var exposureColumns = []string{"focal_mm", "pixel_um", "trail_px", "error_arcmin", "error_sigma_arcmin", "exposure_s"}

func exposureTable() csvTable {
	return csvTable{
		need: exposureColumns,
		add:  []string{"verdict", "probability", "worst_trail_px", "longest_s", "sure_s", "allowed_arcmin"},
		answer: func(in, out []string) error {
			var v [6]float64
			for i := range v {
				var err error
				if v[i], err = csvNumber(exposureColumns[i], in[i]); err != nil {
					return err
				}
			}
			if v[3] < 0 {
				return fmt.Errorf("error_arcmin %v: give 0 or more", v[3])
			}
			j, err := trail.Judge(trail.Kit{FocalMM: v[0], PixelUM: v[1], TrailPx: v[2]}, v[5], trail.ErrorOfSize(v[3], v[4]))
			if err != nil {
				return err
			}
			out[0], out[1], out[2] = string(j.Verdict), csvFixed(j.Probability, 4), csvFixed(j.TrailPx, 4)
			out[3], out[4], out[5] = csvSeconds(j.LongestS), csvSeconds(j.SureS), csvFixed(j.AllowedArcmin, 4)
			return nil
		},
	}
}

// csvSeconds writes a time that may have no limit: inf.
func csvSeconds(s float64) string { return strings.TrimPrefix(strings.ToLower(csvFixed(s, 2)), "+") }
