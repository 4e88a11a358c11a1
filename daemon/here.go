package daemon

import (
	"math"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/trail"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// Here is what computations of the night sky take from the daemon, all of one moment.
type Here struct {
	UTC   time.Time
	Clock ClockStatus
	Site  SiteStatus
	Air   astro.Air
	// Aim is nil while it is not known; WhyNoAim then says what is missing.
	Aim      *guidance.Aim
	WhyNoAim string
	Kit      Kit
	// Error is where the axis stands against the aim, nil while that is not known;
	// WhyNoError then says why.
	Error      *trail.Error
	WhyNoError string
}

// Here tells the present moment.
func (d *Daemon) Here() Here {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.here()
}

// here is Here for a caller that holds the lock.
func (d *Daemon) here() Here {
	now := d.opt.Clock.Now()
	utc := d.utc(now)
	h := Here{
		UTC: utc, Clock: d.clockStatus(utc), Site: d.place.status, Air: d.air(now), Kit: d.opt.Kit,
		Aim: d.place.aim, WhyNoAim: d.place.why,
	}
	if h.Aim == nil && h.WhyNoAim == "" {
		h.WhyNoAim = "the program has just started"
	}
	s := d.hub.newest()
	if s == nil {
		h.WhyNoError = "the program has just started"
		return h
	}
	e, ok := AxisError(s.Guidance, s.Estimate.Altitude.Deg)
	switch {
	case s.Estimate.State == estimator.Stale || now-s.Mono > estimator.LostAfter:
		h.WhyNoError = "the last reading is too old"
	case !ok:
		h.WhyNoError = s.Guidance.Error.Why
	default:
		h.Error = &e
	}
	return h
}

// AxisError is where guidance has the axis, against the aim, as the night sky sees
// it: arcminutes too high and too far east. False while it is not known.
func AxisError(g guidance.Guidance, altitudeDeg float64) (trail.Error, bool) {
	if !g.Raise.Known || !g.TurnEast.Known {
		return trail.Error{}, false
	}
	cos := math.Cos(altitudeDeg * degree)
	return trail.Error{
		HighArcmin: -60 * g.Raise.Deg, HighSigmaArcmin: 60 * g.Raise.SigmaDeg,
		EastArcmin: -60 * g.TurnEast.Deg * cos, EastSigmaArcmin: 60 * g.TurnEast.SigmaDeg * cos,
	}, true
}

// AimDirection is the aim as a direction; a refusal says what is missing.
func (h *Here) AimDirection() (astro.Direction, error) {
	if h.Aim == nil {
		return astro.Direction{}, conflict("aim-not-known", "the aim is not known: "+h.WhyNoAim+"; enter the site first")
	}
	return astro.Direction{AltDeg: h.Aim.AltitudeDeg, AzDeg: h.Aim.AzimuthDeg}, nil
}

// Sky checks that places in the night sky can be computed: site and clock.
func (h *Here) Sky() error {
	if !h.Site.Known {
		return conflict("site-not-known", "the site is not known: enter latitude, longitude and height first")
	}
	if !h.Clock.Plausible {
		return conflict("clock-implausible", h.Clock.Why)
	}
	return nil
}

// SureSky is Sky for what becomes a number with an uncertainty: the clock's
// error must be known too.
func (h *Here) SureSky() error {
	if err := h.Sky(); err != nil {
		return err
	}
	if !(h.Clock.SigmaS >= 0) {
		return conflict("clock-unsure", "how far the clock may be off is not known: set it first, from this phone for example")
	}
	return nil
}
