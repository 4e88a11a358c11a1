package daemon

import (
	"errors"
	"fmt"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
)

// DriftReadings are all readings of one alignment.
type DriftReadings struct {
	Readings []DriftReading
	// RateSigmaArcsecPerMin is how well the drive keeps its rate; see
	// pole.DriftSetup.
	RateSigmaArcsecPerMin float64
	// Sure and Note as in Sight.
	Sure bool
	Note string
}

// DriftReading is one of them. Star with Time, or the hour angle and declination
// in Rates, say where the star stood at the middle of the measurement.
type DriftReading struct {
	Star  string // name or number; empty: Rates has the place
	Time  time.Time
	Rates pole.DriftReading
}

// FrameCentres are pictures of one alignment, solved elsewhere.
type FrameCentres struct {
	Frames []FrameCentre
	Sure   bool
	Note   string
}

// FrameCentre is where one picture pointed.
type FrameCentre struct {
	RADeg, DecDeg float64 // ICRS (J2000)
	Time          time.Time
	SigmaDeg      float64  // of each coordinate; 0: pole.DefaultFrameSigmaDeg
	HeadDeg       *float64 // angle of the head, growing with the night sky's turn
	HeadSigmaDeg  float64
	Label         string
}

// maxReadings bounds what is fitted at once.
const maxReadings = 60

// oldestReading is how old a reading may be: the mount must not have been
// touched since.
const oldestReading = 12 * time.Hour

// ReadDrift finds the axis from the drift of stars and takes it as a sighting
// of this moment: the mount must not have been moved since the first reading.
func (d *Daemon) ReadDrift(q DriftReadings) (SightingRecord, error) {
	h := d.Here()
	if err := h.SureSky(); err != nil {
		return SightingRecord{}, err
	}
	aim, err := h.AimDirection()
	if err != nil {
		return SightingRecord{}, err
	}
	if len(q.Readings) > maxReadings {
		return SightingRecord{}, refuse("too-many", fmt.Sprintf("%d readings: at most %d are taken", len(q.Readings), maxReadings))
	}
	readings := make([]pole.DriftReading, 0, len(q.Readings))
	for i, r := range q.Readings {
		if r.Star != "" {
			if r.Rates.HourAngleDeg, r.Rates.DecDeg, err = h.hourAngle(r.Star, r.Time); err != nil {
				return SightingRecord{}, labelled(i, err)
			}
			if r.Rates.Label == "" {
				r.Rates.Label = fmt.Sprintf("reading %d (%s)", i+1, r.Star)
			}
		}
		readings = append(readings, r.Rates)
	}
	fix, err := pole.FromDrift(pole.DriftSetup{Site: h.Site.Site, Air: h.Air, Aim: aim, RateSigmaArcsecPerMin: q.RateSigmaArcsecPerMin}, readings)
	if err != nil {
		return SightingRecord{}, degenerate(err)
	}
	return d.takeFix(sightDrift, fix, q.Sure, q.Note)
}

// ReadFrames finds the axis from the centres of pictures at several head angles.
func (d *Daemon) ReadFrames(q FrameCentres) (SightingRecord, error) {
	h := d.Here()
	if err := h.SureSky(); err != nil {
		return SightingRecord{}, err
	}
	aim, err := h.AimDirection()
	if err != nil {
		return SightingRecord{}, err
	}
	if len(q.Frames) > maxReadings {
		return SightingRecord{}, refuse("too-many", fmt.Sprintf("%d frames: at most %d are taken", len(q.Frames), maxReadings))
	}
	observer, err := sky.NewObserver(h.Site.Site, h.Air)
	if err != nil {
		return SightingRecord{}, refuse("site", err.Error())
	}
	frames := make([]pole.FrameCentre, 0, len(q.Frames))
	for i, f := range q.Frames {
		if !(f.RADeg >= 0 && f.RADeg <= 360 && f.DecDeg >= -90 && f.DecDeg <= 90) {
			return SightingRecord{}, refuse("frame", fmt.Sprintf("frame %d: right ascension %v°, declination %v°: give 0 to 360 and -90 to 90", i+1, f.RADeg, f.DecDeg))
		}
		m, err := h.moment(f.Time)
		if err != nil {
			return SightingRecord{}, labelled(i, err)
		}
		at, visible := observer.DirectionOfICRS(m, f.RADeg, f.DecDeg)
		if !visible {
			return SightingRecord{}, refuse("below-horizon", fmt.Sprintf("frame %d: right ascension %v°, declination %v° was below the horizon at %s: check place and time", i+1, f.RADeg, f.DecDeg, f.Time.UTC().Format(time.RFC3339)))
		}
		c := pole.FrameCentre{Direction: at, SigmaDeg: f.SigmaDeg, HeadSigmaDeg: f.HeadSigmaDeg, Label: f.Label}
		if f.HeadDeg != nil {
			c.HeadKnown, c.HeadDeg = true, *f.HeadDeg
		}
		frames = append(frames, c)
	}
	fix, err := pole.FromFrames(aim, frames)
	if err != nil {
		return SightingRecord{}, degenerate(err)
	}
	return d.takeFix(sightFrames, fix, q.Sure, q.Note)
}

func (d *Daemon) takeFix(kind SightKind, fix pole.Fix, sure bool, note string) (SightingRecord, error) {
	r := SightingRecord{Kind: kind, Fix: &fix, SigmaDeg: fix.AltSigmaDeg, Note: note,
		Altitude: &Angle{Deg: fix.Axis.AltDeg, SigmaDeg: fix.AltSigmaDeg}, Azimuth: azimuthOr(fix.Axis.AzDeg, fix.AzSigmaDeg)}
	return d.takeSighting(r, "stars", sure)
}

// moment prepares the night sky of a reading's time, which must be of this night.
func (h *Here) moment(at time.Time) (*sky.Moment, error) {
	age := h.UTC.Sub(at)
	if at.IsZero() || age > oldestReading || age < -time.Minute {
		return nil, refuse("time", fmt.Sprintf("time %s: give UTC of this night, not before %s", at.UTC().Format(time.RFC3339), h.UTC.Add(-oldestReading).UTC().Format(time.RFC3339)))
	}
	m, err := sky.At(astro.InstantOf(at))
	if err != nil {
		return nil, refuse("time", err.Error())
	}
	return &m, nil
}

// hourAngle is where a star stood.
func (h *Here) hourAngle(star string, at time.Time) (hourAngleDeg, decDeg float64, err error) {
	m, err := h.moment(at)
	if err != nil {
		return 0, 0, err
	}
	observer, err := sky.NewObserver(h.Site.Site, h.Air)
	if err != nil {
		return 0, 0, refuse("site", err.Error())
	}
	target, err := sky.FindTarget(star, h.Site.Site.Hemisphere())
	if err != nil {
		return 0, 0, refuse("body", err.Error())
	}
	p := target.Place(observer, m)
	return p.HourAngleDeg, p.DecDeg, nil
}

// labelled says which reading a refusal is about.
func labelled(i int, err error) error {
	var r *Refusal
	if errors.As(err, &r) {
		return &Refusal{Code: r.Code, Conflict: r.Conflict, Text: fmt.Sprintf("reading %d: %s", i+1, r.Text)}
	}
	return fmt.Errorf("reading %d: %w", i+1, err)
}

// degenerate turns the refusals of a fit into ours.
func degenerate(err error) error {
	var g *pole.Degenerate
	if errors.As(err, &g) {
		return refuse("degenerate", g.Error())
	}
	return refuse("readings", err.Error())
}
