package daemon

import (
	"fmt"
	"math"
	"slices"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon/estimator"
)

// Position is a place as a satellite receiver gives it.
type Position struct {
	// Site.HeightM counts only when HeightKnown.
	Site        astro.Site
	HeightKnown bool
	// HorizontalSigmaM is the 1-sigma error of both axes together, metres.
	HorizontalSigmaM float64
}

const (
	// newPlaceM is how far a receiver must lie from the site in use, beyond its
	// three sigma, before the site is taken anew: 100 m are 3″ of the pole's
	// altitude, and each change starts guidance again.
	newPlaceM = 100.0
	// strangeM beyond three sigma is no longer the place that somebody entered.
	strangeM = 1000.0
	// vagueM is too unsure to be a site.
	vagueM = 5000.0
	// earthRadiusM is the mean radius of WGS 84.
	earthRadiusM = 6371008.8
)

// receiver is what the satellite receiver has told.
type receiver struct {
	status   *SensorStatus // nil: there is none
	warnings []estimator.Warning
	magvar   float64
	hasVar   bool
	place    *estimator.Warning // about the position
}

// NotePosition hears where a receiver stands, again and again. A measured place
// goes before the one of the settings, which may be that of another night; what
// a person has entered stays, with a warning when it lies elsewhere.
func (d *Daemon) NotePosition(p Position) error {
	if err := p.Site.Validate(); err != nil {
		return err
	}
	if !(p.HorizontalSigmaM > 0) || math.IsInf(p.HorizontalSigmaM, 0) {
		return fmt.Errorf("position with sigma %v m: give a positive one", p.HorizontalSigmaM)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.place.status
	adopt, warning := judgePosition(now, p)
	d.receiver.place = warning
	switch {
	case adopt:
		if !p.HeightKnown {
			p.Site.HeightM = now.Site.HeightM // 0 when no site was known
		}
		s := SiteStatus{Known: true, Site: p.Site, Source: SiteGNSS, SigmaM: p.HorizontalSigmaM}
		if now.Known && distanceM(now.Site, p.Site) < strangeM {
			s.Name = now.Name
		}
		d.setSite(s)
	case now.Source == SiteGNSS:
		d.place.status.SigmaM = p.HorizontalSigmaM
	}
	return nil
}

// judgePosition decides whether p becomes the site, and what is to be said.
func judgePosition(now SiteStatus, p Position) (adopt bool, warning *estimator.Warning) {
	if p.HorizontalSigmaM > vagueM {
		return false, nil
	}
	if !now.Known {
		return true, nil
	}
	away := distanceM(now.Site, p.Site) - 3*p.HorizontalSigmaM
	if now.Source == SiteEntered {
		if away > strangeM {
			return false, &estimator.Warning{Code: "site-disagrees", Text: fmt.Sprintf(
				"The site that was entered lies %s from where the satellite receiver is: check the site, or enter the receiver's place (%.4f, %.4f).",
				lengthText(distanceM(now.Site, p.Site)), p.Site.LatDeg, p.Site.LonDeg)}
		}
		return false, nil
	}
	if now.Source != SiteGNSS {
		return true, nil
	}
	higher := p.HeightKnown && math.Abs(now.Site.HeightM-p.Site.HeightM)-6*p.HorizontalSigmaM > newPlaceM
	return away > newPlaceM || higher, nil
}

// NoteMagvar hears the magnetic declination that the receiver or gpsd computes
// by a model of its own, degrees, positive east.
func (d *Daemon) NoteMagvar(deg float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.receiver.magvar, d.receiver.hasVar = deg, deg >= -180 && deg <= 180
}

// NoteReceiver hears how the receiver fares, and what is to be said about it. A
// nil status is that of a receiver that nobody asked for.
func (d *Daemon) NoteReceiver(s *SensorStatus, warnings []estimator.Warning) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.receiver.status, d.receiver.warnings = s, slices.Clone(warnings)
}

// NoteSystemClock hears whether the kernel calls the system clock synchronised,
// and its 1-sigma error in seconds then. It must be told at least once a minute.
func (d *Daemon) NoteSystemClock(synchronised bool, sigmaS float64) error {
	if synchronised && !(sigmaS >= 0 && sigmaS < math.MaxFloat32) {
		return fmt.Errorf("system clock sigma %v s: give seconds, zero or more", sigmaS)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.keeper.sync(d.opt.Clock.Now(), synchronised, sigmaS)
	return nil
}

// receiverWarnings are those of the moment, together with the clock's.
func (d *Daemon) receiverWarnings() []estimator.Warning {
	out := slices.Concat(d.place.warnings, d.keeper.warnings, d.receiver.warnings)
	if w := d.receiver.place; w != nil {
		out = append(out, *w)
	}
	if w := d.magvarWarning(); w != nil {
		out = append(out, *w)
	}
	return out
}

// magvarWarning compares the declinations of two models. Those in receivers are
// old: up to magvarYears of change, and a degree for coarse tables, are no
// disagreement.
func (d *Daemon) magvarWarning() *estimator.Warning {
	f, r := d.place.field, d.place.rates
	if f == nil || r == nil || !d.receiver.hasVar {
		return nil
	}
	limit := 1 + 3*f.DeclinationSigmaDeg + magvarYears*math.Abs(r.DeclinationDegPerYear)
	if by := math.Abs(math.Remainder(d.receiver.magvar-f.DeclinationDeg, 360)); by > limit {
		return &estimator.Warning{Code: "declination-disagrees", Text: fmt.Sprintf(
			"The receiver has a magnetic declination of %.1f°, the field model %.1f°: check site and date.", d.receiver.magvar, f.DeclinationDeg)}
	}
	return nil
}

// magvarYears is how old the model in a receiver may be (own choice: a receiver
// of 15 years is still in use).
const magvarYears = 15

// distanceM is the length of the great circle between two places, metres, good
// to half a percent.
func distanceM(a, b astro.Site) float64 {
	const rad = math.Pi / 180
	s := math.Sin((b.LatDeg - a.LatDeg) * rad / 2)
	u := math.Sin((b.LonDeg - a.LonDeg) * rad / 2)
	h := s*s + math.Cos(a.LatDeg*rad)*math.Cos(b.LatDeg*rad)*u*u
	return 2 * earthRadiusM * math.Asin(math.Sqrt(min(h, 1)))
}

func lengthText(m float64) string {
	if m < 10000 {
		return fmt.Sprintf("%.1f km", m/1000)
	}
	return fmt.Sprintf("%.0f km", m/1000)
}

// date widens the field's sigmas by what an unsure date changes, and returns
// the rates.
func (d *Daemon) date(f *geomag.Field, s astro.Site, utc time.Time) *geomag.Rates {
	r, err := d.opt.Model.RatesAt(s.LatDeg, s.LonDeg, s.HeightM/1000, astro.DecimalYear(utc))
	if err != nil {
		return nil
	}
	y := d.keeper.status.years()
	f.DeclinationSigmaDeg = min(math.Hypot(f.DeclinationSigmaDeg, y*r.DeclinationDegPerYear), 180)
	f.InclinationSigmaDeg = math.Hypot(f.InclinationSigmaDeg, y*r.InclinationDegPerYear)
	f.TotalSigmaNT = math.Hypot(f.TotalSigmaNT, y*r.TotalNTPerYear)
	f.HorizontalSigmaNT = math.Hypot(f.HorizontalSigmaNT, y*r.HorizontalNTPerYear)
	return &r
}

// utc is the time that is believed at now; it judges the clocks on the way.
func (d *Daemon) utc(now time.Duration) time.Time {
	before := d.keeper.status
	wasUTC, wasMono, looked := d.keeper.utc, d.keeper.lastMono, d.keeper.looked
	d.keeper.look(now, d.opt.UTC(now))
	is := d.keeper.status
	if looked && is.Source != before.Source {
		d.log.Info("clock", "source", is.Source, "sigma_s", is.SigmaS, "offset_s", is.OffsetS)
	}
	moved := d.keeper.utc.Sub(wasUTC.Add(now - wasMono)).Abs()
	if looked && moved >= clockStepTold {
		step := d.keeper.utc.Sub(wasUTC.Add(now - wasMono)).Seconds()
		d.happened(now, Event{Kind: EventClockStep, Text: fmt.Sprintf("The time went %s by %s (%s). The night is dated by its best clock.", forth(step), span(math.Abs(step)), nameOf(is.Source)),
			Numbers: map[string]float64{"step_s": step}})
	}
	if is.Plausible != before.Plausible || moved > time.Minute || is.SigmaS < 0 != (before.SigmaS < 0) {
		d.place.stale = true // what follows from the date is computed anew
	}
	return d.keeper.utc
}

// clockStepTold is the step from which on an event tells of it.
const clockStepTold = time.Second

func forth(s float64) string {
	if s < 0 {
		return "back"
	}
	return "forward"
}
