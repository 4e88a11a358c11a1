package daemon

import (
	"errors"
	"fmt"
	"math"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon/estimator"
)

// SightKind is what is sighted.
type SightKind string

const (
	SightSun      SightKind = "sun" // by its shadow only
	SightMoon     SightKind = "moon"
	SightPoleStar SightKind = "pole-star"
	SightPlanet   SightKind = "planet"
	SightStar     SightKind = "star"
	SightLandmark SightKind = "landmark"
	// sightDrift and sightFrames are found by the camera, sightRevocation ends all
	// that came before.
	sightDrift      SightKind = "drift"
	sightFrames     SightKind = "frames"
	sightRevocation SightKind = "revocation"
)

// SightHow is how the axis stands to what is sighted.
type SightHow string

const (
	// SightAlong: the axis points at it, seen along the axis or by the shadow of a
	// rod along the axis that has shrunk to a point.
	SightAlong SightHow = "along"
	// SightAbove: the axis lies in the vertical plane through it, or at
	// Sight.OffsetDeg from that: gives the azimuth alone.
	SightAbove SightHow = "above"
	// SightCentred: it stands in the centre of the finder.
	SightCentred SightHow = "centred"
	// SightInFinder: it is seen at a place in the finder.
	SightInFinder SightHow = "in-finder"
	// SightAtMark: it was brought to the place that the program showed for it.
	SightAtMark SightHow = "at-mark"
)

// Uncertainties of a sight, 1 sigma per direction in degrees on the night sky, where
// the person states none. Common practice, no source, but for that of the finder
// (pole.DefaultFinderSigmaDeg).
const (
	sightShadowDeg  = 0.3  // shadow of a rod; half the Sun's diameter is 0.27°
	sightByEyeDeg   = 0.3  // along an edge, by day or at the Moon
	sightByNightDeg = 0.5  // along an edge, at a star
	finderAxisDeg   = 0.05 // between finder and axis
	bearingDeg      = 0.2  // a bearing read off a map
	placeErrorM     = 5.0  // of site and landmark, each
)

// Sight is a sighting as a person reports it.
type Sight struct {
	Kind SightKind
	// Body names the planet or star; see sky.FindTarget.
	Body string
	How  SightHow
	// OffsetDeg is added to the azimuth of what was sighted to give the axis's
	// (How above, and landmarks): 180 when a plumb line's shadow falls along the
	// axis, or when it was sighted over the back.
	OffsetDeg float64
	// XDeg and YDeg (How in-finder): degrees of sky right and up of the finder's
	// centre as the eye sees it there.
	XDeg, YDeg float64
	// BearingDeg is a landmark's true bearing; nil: from Landmark.
	BearingDeg *float64
	// AltitudeDeg is a landmark's altitude; nil: from Landmark where its height
	// counts, else not given.
	AltitudeDeg *float64
	Landmark    *astro.Site
	// HeightKnown says that Landmark's height is known.
	HeightKnown bool
	// SigmaDeg is the sight's own error, 1 sigma per direction on the night sky; 0 takes
	// the default.
	SigmaDeg float64
	// Sure takes a sighting that contradicts the sensors: it then replaces what was
	// believed.
	Sure bool
	Note string
}

// Angle is one angle with its 1 sigma, degrees.
type Angle struct {
	Deg      float64 `json:"deg"`
	SigmaDeg float64 `json:"sigma_deg"`
}

// SightingRecord is one sighting as it is kept.
type SightingRecord struct {
	ID   int64     `json:"id"`
	Time time.Time `json:"time"`
	Kind SightKind `json:"kind"`
	How  SightHow  `json:"how,omitempty"`
	Body string    `json:"body,omitempty"`
	// Altitude and Azimuth are where the axis pointed, nil where the sighting
	// does not tell.
	Altitude *Angle `json:"altitude"`
	Azimuth  *Angle `json:"azimuth"`
	// Was is what the program had believed before.
	WasAltitude *Angle      `json:"was_altitude"`
	WasAzimuth  *Angle      `json:"was_azimuth"`
	SigmaDeg    float64     `json:"sight_sigma_deg"` // of the sight alone
	Site        *astro.Site `json:"site"`
	TempC       *float64    `json:"temp_c"` // of the chip
	Note        string      `json:"note,omitempty"`
	// Fix is what readings of the camera gave.
	Fix *pole.Fix `json:"fix,omitempty"`

	// InUse is true while the sighting corrects the sensors; Revoked when it was
	// taken back.
	InUse   bool `json:"-"`
	Revoked bool `json:"-"`
}

// pointing is where the axis points by a sighting.
type pointing struct {
	alt, az  *Angle
	body     string
	sightDeg float64
}

// Sight takes a sighting made at this moment: the mount must stand still. It
// becomes a correction of altitude, azimuth or both, is carried on by gyroscope
// and compass, and kept.
func (d *Daemon) Sight(q Sight) (SightingRecord, error) {
	h := d.Here()
	p, err := q.point(&h)
	if err != nil {
		return SightingRecord{}, err
	}
	source := "sighting"
	if q.Kind == SightPoleStar || q.Kind == SightStar || q.Kind == SightPlanet {
		source = "stars"
	}
	r := SightingRecord{Kind: q.Kind, How: q.how(), Body: p.body, Altitude: p.alt, Azimuth: p.az, SigmaDeg: p.sightDeg, Note: q.Note}
	return d.takeSighting(r, source, q.Sure)
}

// takeSighting hands a direction of the axis to the estimator and keeps it.
func (d *Daemon) takeSighting(r SightingRecord, source string, sure bool) (SightingRecord, error) {
	d.mu.Lock()
	now := d.opt.Clock.Now()
	r.Time = d.utc(now)
	if d.place.status.Known {
		site := d.place.status.Site
		r.Site = &site
	}
	err := d.refer(now, &r, source, sure)
	if err == nil && r.Kind != SightLandmark {
		d.skyClock = sightClock{used: true, zero: r.Time.Add(-now), sigmaS: d.clockStatus(r.Time).SigmaS}
	}
	d.mu.Unlock()
	if err != nil {
		return SightingRecord{}, err
	}
	d.log.Info("sighting taken", "kind", r.Kind, "how", r.How, "body", r.Body)
	if d.opt.Store != nil {
		if err := d.opt.Store.AddSighting(&r); err != nil {
			d.log.Error("sighting not kept", "error", err)
		}
	}
	r.InUse = true
	d.mu.Lock()
	d.sightings = append(d.sightings, r)
	d.mu.Unlock()
	return r, nil
}

// contradiction is from how many sigmas on a sighting must be confirmed.
const contradiction = 4.0

// refer gives altitude and azimuth to the estimator. The caller holds the lock.
func (d *Daemon) refer(now time.Duration, r *SightingRecord, source string, sure bool) error {
	e := d.est.Estimate(now)
	r.TempC = numberOrNil(e.TempC)
	r.WasAltitude, r.WasAzimuth = angleOf(e.Altitude), angleOf(e.Azimuth)
	refs := []struct {
		name     string
		new, was *Angle
		ref      estimator.Reference
	}{{name: "altitude", new: r.Altitude, was: r.WasAltitude}, {name: "azimuth", new: r.Azimuth, was: r.WasAzimuth}}
	for i := range refs {
		x := &refs[i]
		if x.new == nil {
			continue
		}
		q := estimator.Quantity{Deg: x.new.Deg, SigmaDeg: x.new.SigmaDeg, Known: true, Source: source}
		if i == 0 {
			x.ref.Altitude = q
		} else {
			x.ref.Azimuth = q
		}
		if x.was == nil {
			continue
		}
		off := astro.Turn180(x.new.Deg - x.was.Deg)
		if both := math.Hypot(x.new.SigmaDeg, x.was.SigmaDeg); math.Abs(off) > contradiction*both {
			if !sure {
				return conflict("contradiction", fmt.Sprintf("this would put the %s of the axis at %.1f°, where the sensors have %.1f° ± %.1f°: check what was sighted, site and clock; if you are sure, say so and it replaces what the sensors say", x.name, x.new.Deg, x.was.Deg, x.was.SigmaDeg))
			}
			x.ref.Replace = true
		}
	}
	for _, x := range refs {
		if x.new == nil {
			continue
		}
		if err := d.est.Refer(x.ref); err != nil {
			if errors.Is(err, estimator.ErrNotStill) {
				return conflict("not-still", err.Error())
			}
			return conflict("not-possible", err.Error())
		}
	}
	return nil
}

func angleOf(q estimator.Quantity) *Angle {
	if !q.Known {
		return nil
	}
	return &Angle{Deg: q.Deg, SigmaDeg: q.SigmaDeg}
}

// Sightings are all that are known, oldest first.
func (d *Daemon) Sightings() []SightingRecord {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := append([]SightingRecord(nil), d.sightings...)
	revoked := false
	for i := len(out) - 1; i >= 0; i-- {
		if out[i].Kind == sightRevocation {
			revoked = true
		}
		out[i].Revoked = revoked
	}
	kept := out[:0]
	for _, r := range out {
		if r.Kind != sightRevocation {
			kept = append(kept, r)
		}
	}
	return kept
}

// RevokeSightings takes all sightings back: the sensors stand alone again.
func (d *Daemon) RevokeSightings() error {
	d.mu.Lock()
	d.est.Forget()
	d.setAsideSightings()
	r := SightingRecord{Kind: sightRevocation, Time: d.utc(d.opt.Clock.Now())}
	d.mu.Unlock()
	d.log.Info("sightings revoked")
	if d.opt.Store != nil {
		if err := d.opt.Store.AddSighting(&r); err != nil {
			return fmt.Errorf("the sightings are revoked, but that could not be kept: %w", err)
		}
	}
	d.mu.Lock()
	d.sightings = append(d.sightings, r)
	d.mu.Unlock()
	return nil
}

// sightingsReachM is how far the site may be corrected before sightings, which
// hold for a place, are dropped.
const sightingsReachM = 1000

// sightClock is the clock by which bodies were sighted.
type sightClock struct {
	used   bool
	zero   time.Time // UTC at the zero of the monotonic clock
	sigmaS float64
}

// checkSkyClock drops sightings of the night sky when the clock that they rest on has
// turned out wrong. The caller holds the lock.
func (d *Daemon) checkSkyClock(now time.Duration, utc time.Time) {
	c := &d.skyClock
	if !c.used {
		return
	}
	if off := utc.Add(-now).Sub(c.zero).Seconds(); math.Abs(off) > max(5, contradiction*c.sigmaS) {
		d.dropSightings(fmt.Sprintf("the clock was off by %.0f s when they were taken", -off))
	}
}

// dropSightings takes them out of use. The caller holds the lock.
func (d *Daemon) dropSightings(why string) {
	if alt, az := d.est.Referred(); alt || az {
		d.log.Warn("sightings no longer used", "why", why)
	}
	d.est.Forget()
	d.setAsideSightings()
}

// setAsideSightings marks that the estimator has forgotten them. The caller
// holds the lock.
func (d *Daemon) setAsideSightings() {
	d.skyClock = sightClock{}
	for i := range d.sightings {
		d.sightings[i].InUse = false
	}
}

func (q *Sight) how() SightHow {
	if q.How == "" {
		return SightAlong
	}
	return q.How
}

// point computes where the axis points.
func (q *Sight) point(h *Here) (pointing, error) {
	if q.SigmaDeg != 0 && !(q.SigmaDeg >= 0.001 && q.SigmaDeg <= 10) {
		return pointing{}, refuse("sigma", fmt.Sprintf("error of the sight %v°: give 0.001 to 10, or nothing for the usual one", q.SigmaDeg))
	}
	if !(math.Abs(q.OffsetDeg) <= 360) {
		return pointing{}, refuse("offset", fmt.Sprintf("offset %v°: give -360 to 360", q.OffsetDeg))
	}
	if len(q.Note) > 200 {
		return pointing{}, refuse("note", "the note is longer than 200 bytes")
	}
	if q.Kind == SightLandmark {
		return q.landmark(h)
	}
	return q.body(h)
}

func (q *Sight) body(h *Here) (pointing, error) {
	name, err := q.target()
	if err != nil {
		return pointing{}, err
	}
	if err := h.SureSky(); err != nil {
		return pointing{}, err
	}
	s, err := seen(h, name)
	if err != nil {
		return pointing{}, err
	}
	switch q.how() {
	case SightAlong, SightCentred:
		return q.direct(s)
	case SightAbove:
		p, err := q.direct(s)
		if err != nil {
			return p, err
		}
		if p.az == nil {
			return p, refuse("too-high", fmt.Sprintf("%s stands %.0f° high: its azimuth cannot be sighted, wait until it is lower", s.name, s.at.AltDeg))
		}
		p.alt, p.az.Deg = nil, astro.Turn360(p.az.Deg+q.OffsetDeg)
		return p, nil
	case SightInFinder:
		return q.inFinder(h, s)
	case SightAtMark:
		return q.atMark(h, s)
	}
	return pointing{}, refuse("how", fmt.Sprintf("how %.20q: choose along, above, centred, in-finder or at-mark", q.How))
}

// target is the name of the body, checked against the kind.
func (q *Sight) target() (string, error) {
	if h := q.how(); q.Kind == SightSun && h != SightAlong && h != SightAbove {
		return "", refuse("sun-in-finder", "the Sun is sighted by its shadow only: "+sky.SunCaution)
	}
	switch q.Kind {
	case SightSun, SightMoon, SightPoleStar:
		return string(q.Kind), nil
	case SightPlanet:
		for _, p := range sky.Planets() {
			if string(p) == q.Body {
				return q.Body, nil
			}
		}
		return "", refuse("body", fmt.Sprintf("planet %.40q: choose venus, mars, jupiter or saturn", q.Body))
	case SightStar:
		if _, err := sky.Find(q.Body); err != nil {
			return "", refuse("body", err.Error())
		}
		return q.Body, nil
	}
	return "", refuse("kind", fmt.Sprintf("kind %.20q: choose sun, moon, pole-star, planet, star or landmark", q.Kind))
}

// sightDeg is the error of the sight itself.
func (q *Sight) sightDeg() float64 {
	if q.SigmaDeg > 0 {
		return q.SigmaDeg
	}
	switch q.how() {
	case SightCentred, SightInFinder, SightAtMark:
		return math.Hypot(pole.DefaultFinderSigmaDeg, finderAxisDeg)
	}
	switch q.Kind {
	case SightSun:
		return sightShadowDeg
	case SightMoon, SightLandmark:
		return sightByEyeDeg
	}
	return sightByNightDeg
}

// seenBody is a body with the doubt of its place.
type seenBody struct {
	name             string
	at               astro.Direction
	star             astro.Seen
	altSigma, azSigm float64 // of place and clock, degrees; of azimuth
}

// seen is where a body stands now; a refusal when it is below the horizon.
func seen(h *Here, name string) (seenBody, error) {
	observer, err := sky.NewObserver(h.Site.Site, h.Air)
	if err != nil {
		return seenBody{}, refuse("site", err.Error())
	}
	target, err := sky.FindTarget(name, h.Site.Site.Hemisphere())
	if err != nil {
		return seenBody{}, refuse("body", err.Error())
	}
	m, err := sky.At(astro.InstantOf(h.UTC))
	if err != nil {
		return seenBody{}, conflict("date", err.Error())
	}
	later, err := sky.At(astro.InstantOf(h.UTC.Add(clockStep)))
	if err != nil {
		return seenBody{}, conflict("date", err.Error())
	}
	p, q := target.Place(observer, &m), target.Place(observer, &later)
	if !p.Visible {
		return seenBody{}, conflict("below-horizon", fmt.Sprintf("%s is below the horizon (%.1f°): check site and clock, or sight something else", target.Label(), p.Airless.AltDeg))
	}
	acc := observer.Accuracy(p, target.BodyName(), false, 0)
	late := h.Clock.SigmaS / clockStep.Seconds()
	return seenBody{
		name: target.Label(), at: p.Seen, star: target.Seen(observer, &m),
		altSigma: math.Hypot(acc.AltDeg, late*(q.Seen.AltDeg-p.Seen.AltDeg)),
		azSigm:   math.Hypot(acc.AzDeg, late*astro.Turn180(q.Seen.AzDeg-p.Seen.AzDeg)),
	}, nil
}

// clockStep is over what a body's motion is taken.
const clockStep = 10 * time.Second

// worstAzimuthDeg is the sigma beyond which a sighting gives no azimuth.
const worstAzimuthDeg = 10.0

// direct is the axis pointing at the body.
func (q *Sight) direct(s seenBody) (pointing, error) {
	sight := q.sightDeg()
	p := pointing{body: s.name, sightDeg: sight, alt: &Angle{Deg: s.at.AltDeg, SigmaDeg: math.Hypot(sight, s.altSigma)}}
	p.az = azimuthOr(s.at.AzDeg, math.Hypot(sight/math.Max(math.Cos(s.at.AltDeg*degree), 1e-6), s.azSigm))
	return p, nil
}

// azimuthOr is an azimuth, nil when it is too unsure to be one.
func azimuthOr(deg, sigmaDeg float64) *Angle {
	if !(sigmaDeg <= worstAzimuthDeg) {
		return nil
	}
	return &Angle{Deg: astro.Turn360(deg), SigmaDeg: sigmaDeg}
}

// inFinder is the axis seen from where the body stands in the finder.
func (q *Sight) inFinder(h *Here, s seenBody) (pointing, error) {
	aim, err := h.AimDirection()
	if err != nil {
		return pointing{}, err
	}
	if q.Kind == SightSun {
		return pointing{}, refuse("sun-in-finder", sky.SunCaution)
	}
	sight := q.sightDeg()
	fix, err := pole.FromFinder(aim, h.Kit.View(), []pole.FinderReading{{Star: s.star, XDeg: q.XDeg, YDeg: q.YDeg, SigmaDeg: sight}})
	if err != nil {
		return pointing{}, refuse("in-finder", err.Error())
	}
	p := pointing{body: s.name, sightDeg: sight, alt: &Angle{Deg: fix.Axis.AltDeg, SigmaDeg: math.Hypot(fix.AltSigmaDeg, s.altSigma)}}
	p.az = azimuthOr(fix.Axis.AzDeg, math.Hypot(fix.AzSigmaDeg, s.azSigm))
	return p, nil
}

// atMark is the axis at the aim: the star stands where it was told to.
func (q *Sight) atMark(h *Here, s seenBody) (pointing, error) {
	aim, err := h.AimDirection()
	if err != nil {
		return pointing{}, err
	}
	if q.Kind != SightPoleStar && q.Kind != SightStar {
		return pointing{}, refuse("at-mark", "only stars near the pole have a mark in the finder: choose along, or in-finder with its place")
	}
	view := h.Kit.View()
	if m := view.Mark(aim, s.at); !m.InField {
		return pointing{}, refuse("at-mark", fmt.Sprintf("%s has no mark: it does not show in a finder of %.1f° that points at the pole", s.name, view.FieldDeg))
	}
	sight := q.sightDeg()
	p := pointing{body: s.name, sightDeg: sight, alt: &Angle{Deg: aim.AltDeg, SigmaDeg: math.Hypot(sight, s.altSigma)}}
	p.az = azimuthOr(aim.AzDeg, math.Hypot(sight/math.Max(math.Cos(aim.AltDeg*degree), 1e-6), s.azSigm))
	return p, nil
}

// landmark is the axis pointing at, or lying above, something on the ground.
func (q *Sight) landmark(h *Here) (pointing, error) {
	if w := q.how(); w != SightAlong && w != SightAbove {
		return pointing{}, refuse("how", "a landmark is sighted along the axis, or gives the azimuth alone (above)")
	}
	sight := q.sightDeg()
	p := pointing{sightDeg: sight}
	var az, azSigma float64
	switch {
	case q.BearingDeg != nil && q.Landmark != nil:
		return p, refuse("landmark", "give the landmark's bearing or its place, not both")
	case q.BearingDeg != nil:
		if !(math.Abs(*q.BearingDeg) <= 360) {
			return p, refuse("landmark", fmt.Sprintf("bearing %v°: give degrees from true north through east, 0 to 360", *q.BearingDeg))
		}
		az, azSigma = *q.BearingDeg, bearingDeg
	case q.Landmark != nil:
		if !h.Site.Known {
			return p, conflict("site-not-known", "the site is not known: enter latitude, longitude and height first")
		}
		l, err := h.Site.Site.Sight(*q.Landmark)
		if err != nil {
			return p, refuse("landmark", err.Error())
		}
		ground := math.Sqrt2 * placeErrorM / l.DistanceM / degree
		az, azSigma = l.AzDeg, ground
		if q.HeightKnown && q.AltitudeDeg == nil {
			p.alt = &Angle{Deg: l.AltDeg, SigmaDeg: math.Sqrt(sight*sight + l.AltSigmaDeg*l.AltSigmaDeg + 4*ground*ground)}
		}
	default:
		return p, refuse("landmark", "give the landmark's true bearing, or its latitude and longitude")
	}
	if q.AltitudeDeg != nil {
		if !(math.Abs(*q.AltitudeDeg) <= 90) {
			return p, refuse("landmark", fmt.Sprintf("altitude %v°: give -90 to 90", *q.AltitudeDeg))
		}
		p.alt = &Angle{Deg: *q.AltitudeDeg, SigmaDeg: sight}
	}
	cos := 1.0
	if p.alt != nil {
		cos = math.Max(math.Cos(p.alt.Deg*degree), 1e-6)
	}
	p.az = azimuthOr(az+q.OffsetDeg, math.Hypot(sight/cos, azSigma))
	if q.how() == SightAbove || q.OffsetDeg != 0 {
		p.alt = nil
	}
	if p.az == nil && p.alt == nil {
		return p, refuse("landmark", "the landmark is too near to give a direction: sight one at some hundred metres or more")
	}
	return p, nil
}
