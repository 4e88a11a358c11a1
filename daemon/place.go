package daemon

import (
	"fmt"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/astro/pole"
	"plumbstar/astro/trail"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// place is what follows from site and date: the aim and the expected field.
type place struct {
	status   SiteStatus
	stale    bool // must be computed anew
	at       time.Duration
	aim      *guidance.Aim
	why      string // why aim is nil
	field    *geomag.Field
	warnings []estimator.Warning
	rates    *geomag.Rates // of field; nil where a compass is of no use
}

// locateEvery is how often the slow quantities are computed anew: the field
// changes by 1e-5° in a minute.
const locateEvery = time.Minute

// locate keeps aim and expected field fresh.
func (d *Daemon) locate(now time.Duration, utc time.Time) {
	p := &d.place
	if !p.stale && now-p.at < locateEvery {
		return
	}
	p.stale, p.at = false, now
	p.aim, p.field, p.rates, p.warnings, p.why = nil, nil, nil, nil, ""
	if !p.status.Known {
		p.why = "site not known"
		p.warnings = append(p.warnings, estimator.Warning{Code: "site-not-known", Text: "Site not known: enter latitude, longitude and height."})
		d.est.SetField(nil, "site not known: magnetic north cannot be turned into true north")
		return
	}
	s := p.status.Site
	alt, az, err := pole.Aim(s, pole.Kind(d.opt.AimKind), d.air(now))
	p.aim = &guidance.Aim{AltitudeDeg: alt, AzimuthDeg: az, Kind: d.opt.AimKind, Hemisphere: s.Hemisphere()}
	if err != nil {
		p.aim, p.why = nil, err.Error()
		p.warnings = append(p.warnings, estimator.Warning{Code: "aim-not-known", Text: "No aim: " + err.Error() + "."})
	}
	d.expect(s, utc)
}

// expect hands the estimator the model field, or the reason why there is none.
func (d *Daemon) expect(s astro.Site, utc time.Time) {
	p := &d.place
	refuse := func(code, why string) {
		p.warnings = append(p.warnings, estimator.Warning{Code: code, Text: "No direction from the compass: " + why + "."})
		d.est.SetField(nil, why)
	}
	if why := implausible(utc, d.opt.NotBefore); why != "" {
		refuse("clock-implausible", why)
		return
	}
	f, err := d.opt.Model.At(s.LatDeg, s.LonDeg, s.HeightM/1000, astro.DecimalYear(utc))
	if err != nil {
		refuse("field-model", err.Error())
		return
	}
	if f.Zone == geomag.ZoneOK {
		p.rates = d.date(&f, s, utc)
	}
	p.field = &f
	if f.Zone != geomag.ZoneOK {
		refuse("magnetic-pole", fmt.Sprintf("horizontal field of only %.1f µT, too near the magnetic pole (%s zone of the model)", f.HorizontalNT/1000, f.Zone))
		return
	}
	d.est.SetField(&estimator.Field{
		DeclinationDeg: f.DeclinationDeg, DeclinationSigmaDeg: f.DeclinationSigmaDeg,
		DipDeg: f.InclinationDeg, DipSigmaDeg: f.InclinationSigmaDeg,
		StrengthUT: f.TotalNT / 1000, StrengthSigmaUT: f.TotalSigmaNT / 1000,
	}, "")
}

// implausible says why a clock cannot be right, or nothing.
func implausible(utc, notBefore time.Time) string {
	const layout = "2006-01-02 15:04"
	switch {
	case utc.Before(notBefore):
		return fmt.Sprintf("the clock shows %s, before this program was built: set the clock", utc.UTC().Format(layout))
	case !notBefore.IsZero() && utc.Sub(notBefore) > farFuture:
		return fmt.Sprintf("the clock shows %s, long after this program was built: set the clock", utc.UTC().Format(layout))
	}
	return ""
}

// clockStatus is what the newest look at the clocks found, for a time of it.
func (d *Daemon) clockStatus(utc time.Time) ClockStatus {
	c := d.keeper.status
	c.Why = implausible(utc, d.opt.NotBefore)
	c.Plausible = c.Why == ""
	return c
}

// goodFor answers for every lens of the kit with the exposure wished for.
func (d *Daemon) goodFor(g guidance.Guidance, altDeg float64) []GoodFor {
	k := &d.opt.Kit
	out := make([]GoodFor, 0, len(k.Lenses))
	e, known := AxisError(g, altDeg)
	known = known && e.Validate() == nil
	for _, l := range k.Lenses {
		v := GoodFor{Lens: l.Name, ExposureS: l.ExposureS, Verdict: NotKnown}
		if c := k.Camera(l); known && c.Validate() == nil && l.ExposureS > 0 {
			v.Verdict = string(trail.VerdictOf(c, l.ExposureS, e))
		}
		out = append(out, v)
	}
	return out
}
