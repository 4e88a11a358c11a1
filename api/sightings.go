package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon"
)

// SightingEntry is a sighting as a client reports it, of the moment at which it
// is sent.
type SightingEntry struct {
	Kind     string   `json:"kind" enum:"sun,moon,pole-star,planet,star,landmark" doc:"What was sighted"`
	Body     string   `json:"body,omitempty" maxLength:"60" doc:"Name of the planet or star"`
	How      string   `json:"how,omitempty" enum:"along,above,centred,in-finder,at-mark" default:"along" doc:"along: the axis points at it; above: the axis lies in the vertical plane through it, which gives the azimuth alone; centred: it stands in the finder's centre; in-finder: it is seen at x_deg, y_deg in the finder; at-mark: it was brought to the place that the program shows for it"`
	Offset   float64  `json:"offset_deg,omitempty" minimum:"-360" maximum:"360" doc:"Added to the azimuth of what was sighted to give the axis's: 180 when the shadow of a plumb line falls along the axis, or it was sighted over the back"`
	X        float64  `json:"x_deg,omitempty" minimum:"-60" maximum:"60" doc:"in-finder: degrees of sky to the right of the finder's centre, as the eye sees it there"`
	Y        float64  `json:"y_deg,omitempty" minimum:"-60" maximum:"60" doc:"in-finder: degrees of sky above the centre"`
	Bearing  *float64 `json:"bearing_deg,omitempty" minimum:"-360" maximum:"360" doc:"landmark: its true bearing, from north through east"`
	Altitude *float64 `json:"altitude_deg,omitempty" minimum:"-90" maximum:"90" doc:"landmark: its altitude, when it is known"`
	Lat      *float64 `json:"lat_deg,omitempty" minimum:"-90" maximum:"90" doc:"landmark: its place, instead of the bearing"`
	Lon      *float64 `json:"lon_deg,omitempty" minimum:"-180" maximum:"360"`
	Height   *float64 `json:"height_m,omitempty" minimum:"-500" maximum:"9000" doc:"landmark: its height; then the sighting gives the altitude too"`
	Sigma    float64  `json:"sigma_deg,omitempty" minimum:"0" maximum:"10" doc:"Error of the sight, 1 sigma per direction on the night sky; left out: the usual one of its kind"`
	ByShadow bool     `json:"by_shadow,omitempty" doc:"sun: required, says that it was sighted by its shadow and not looked at"`
	Sure     bool     `json:"sure,omitempty" doc:"Take it though it contradicts the sensors (refused with the code contradiction otherwise); it then replaces what they say"`
	Note     string   `json:"note,omitempty" maxLength:"200"`
}

// Sightings are all that are known.
type Sightings struct {
	Sightings []Sighting `json:"sightings" nullable:"false" doc:"Oldest first"`
}

// Sighting is a direction of the axis that came from outside.
type Sighting struct {
	ID            int64  `json:"id" doc:"0 when it could not be kept"`
	Time          Time   `json:"time"`
	Kind          string `json:"kind" enum:"sun,moon,pole-star,planet,star,landmark,drift,frames"`
	How           Text   `json:"how"`
	Body          Text   `json:"body"`
	InUse         bool   `json:"in_use" doc:"It corrects the sensors now"`
	Revoked       bool   `json:"revoked"`
	Altitude      Number `json:"altitude_deg" doc:"Where the axis pointed; null when the sighting does not tell"`
	AltitudeSigma Number `json:"altitude_sigma_deg"`
	Azimuth       Number `json:"azimuth_deg"`
	AzimuthSigma  Number `json:"azimuth_sigma_deg" doc:"Degrees of azimuth"`
	WasAltitude   Number `json:"was_altitude_deg" doc:"What the program had believed"`
	WasAzimuth    Number `json:"was_azimuth_deg"`
	Sight         Number `json:"sight_sigma_deg" doc:"Error of the sight alone"`
	Temp          Number `json:"temp_c" doc:"Of the chip, °C"`
	Note          Text   `json:"note"`
	Fix           *Fix   `json:"fix" doc:"What readings of the camera gave; null for others"`
}

// Fix is an axis found from readings of the night sky.
type Fix struct {
	_           struct{}  `nullable:"true"`
	High        Number    `json:"high_arcmin" doc:"Axis against the aim, on the night sky: too high is positive"`
	HighSigma   Number    `json:"high_sigma_arcmin"`
	East        Number    `json:"east_arcmin" doc:"Too far east is positive"`
	EastSigma   Number    `json:"east_sigma_arcmin"`
	Correlation Number    `json:"correlation"`
	ChiSquare   Number    `json:"chi_square"`
	Freedom     int       `json:"degrees_of_freedom"`
	Outliers    []Outlier `json:"outliers" nullable:"false" doc:"Readings that contradict all others and were left out"`
	Note        Text      `json:"note" doc:"Says so when the readings disagree beyond their sigmas"`
}

// Outlier is a reading that was left out.
type Outlier struct {
	Index  int    `json:"index" doc:"In the list of readings, from 0"`
	Label  string `json:"label"`
	Sigmas Number `json:"sigmas" doc:"By which it is off"`
}

// DriftEntry are drifts of stars in the camera on the running tracker.
type DriftEntry struct {
	Readings  []DriftLine `json:"readings" minItems:"1" maxItems:"60" nullable:"false"`
	RateSigma float64     `json:"rate_sigma_arcsec_per_min,omitempty" minimum:"0" maximum:"60" doc:"How well the drive keeps sidereal rate, 1 sigma at the equator; 0 trusts it"`
	Sure      bool        `json:"sure,omitempty" doc:"As in sightings"`
	Note      string      `json:"note,omitempty" maxLength:"200"`
}

// DriftLine is the drift of one star.
type DriftLine struct {
	Star       string    `json:"star,omitempty" maxLength:"60" doc:"Name or HIP number, with time; or give hour_angle_deg and declination_deg"`
	Time       time.Time `json:"time,omitempty" doc:"UTC of the middle of the measurement"`
	HourAngle  float64   `json:"hour_angle_deg,omitempty" minimum:"-360" maximum:"360" doc:"West positive, at the middle of the measurement"`
	Dec        float64   `json:"declination_deg,omitempty" minimum:"-90" maximum:"90" doc:"Star declination"`
	North      float64   `json:"north_arcsec_per_min,omitempty" minimum:"-900" maximum:"900" doc:"Drift towards growing star declination"`
	NorthSigma float64   `json:"north_sigma,omitempty" minimum:"0" maximum:"10000" doc:"Its 1 sigma; 0: not measured"`
	East       float64   `json:"east_arcsec_per_min,omitempty" minimum:"-900" maximum:"900" doc:"Towards growing right ascension, arc on the night sky"`
	EastSigma  float64   `json:"east_sigma,omitempty" minimum:"0" maximum:"10000" doc:"0: not measured"`
	Label      string    `json:"label,omitempty" maxLength:"60"`
}

// FrameEntry are pictures that were solved elsewhere, taken by a camera on the
// head at several head angles.
type FrameEntry struct {
	Frames []FrameLine `json:"frames" minItems:"1" maxItems:"60" nullable:"false"`
	Sure   bool        `json:"sure,omitempty" doc:"As in sightings"`
	Note   string      `json:"note,omitempty" maxLength:"200"`
}

// FrameLine is the centre of one picture.
type FrameLine struct {
	RA        float64   `json:"ra_deg" minimum:"0" maximum:"360" doc:"Right ascension, ICRS (J2000)"`
	Dec       float64   `json:"dec_deg" minimum:"-90" maximum:"90" doc:"Declination, ICRS (J2000)"`
	Time      time.Time `json:"time" doc:"UTC of the middle of the exposure"`
	Sigma     float64   `json:"sigma_deg,omitempty" minimum:"0" maximum:"5" doc:"Of each coordinate on the night sky, 1 sigma; 0: 10 arcsec"`
	Head      *float64  `json:"head_deg,omitempty" minimum:"-3600" maximum:"3600" doc:"Angle of the head about its axis, growing as the drive turns it, from any zero"`
	HeadSigma float64   `json:"head_sigma_deg,omitempty" minimum:"0" maximum:"45"`
	Label     string    `json:"label,omitempty" maxLength:"60"`
}

// Sightable are bodies that stand above the horizon now.
type Sightable struct {
	Time   Time            `json:"time"`
	Bodies []SightableBody `json:"bodies" nullable:"false" doc:"Sun, Moon and planets, the pole star, then stars to magnitude 1.6, the brightest first"`
}

// SightableBody is one of them.
type SightableBody struct {
	Kind     string `json:"kind" enum:"sun,moon,pole-star,planet,star"`
	Body     string `json:"body" doc:"Name to send"`
	Name     string `json:"name"`
	Azimuth  Number `json:"azimuth_deg"`
	Altitude Number `json:"altitude_deg" doc:"As the air shows it"`
	VMag     Number `json:"v_mag" doc:"null for Sun, Moon and planets"`
	Caution  Text   `json:"caution" doc:"To be shown before it is sighted"`
}

const sightingsPath = "/api/v1/sightings"

type (
	sightingsOutput struct{ Body Sightings }
	sightingOutput  struct{ Body Sighting }
	sightingInput   struct{ Body SightingEntry }
	driftInput      struct{ Body DriftEntry }
	frameInput      struct{ Body FrameEntry }
	sightableOutput struct{ Body Sightable }
)

func (s *Server) registerSightings(api huma.API) {
	register(api, s.operation(http.MethodGet, sightingsPath, "get-sightings", "Sightings, drift readings and frames taken so far", ""),
		func(context.Context, *struct{}) (*sightingsOutput, error) {
			all := s.o.Board.Sightings()
			out := Sightings{Sightings: make([]Sighting, 0, len(all))}
			for i := range all {
				out.Sightings = append(out.Sightings, sightingOf(&all[i]))
			}
			return &sightingsOutput{Body: out}, nil
		})
	register(api, s.writing(http.MethodPost, sightingsPath, "take-sighting", "Tell where the axis points, by something known",
		"It counts for the moment of sending: the mount must stand still. It corrects altitude, azimuth or both, and gyroscope and compass carry it on. "+
			"CAUTION for the Sun: "+sky.SunCaution),
		func(_ context.Context, in *sightingInput) (*sightingOutput, error) {
			q, err := in.Body.sight()
			if err != nil {
				return nil, s.refused("taking the sighting", err)
			}
			return s.taken(s.o.Board.Sight(q))
		})
	huma.Register(api, s.writing(http.MethodDelete, sightingsPath, "revoke-sightings", "Take all sightings back", "The sensors stand alone again. The list keeps them, marked as revoked."),
		func(context.Context, *struct{}) (*none, error) {
			if err := s.o.Board.RevokeSightings(); err != nil {
				return nil, s.refused("revoking the sightings", err)
			}
			return &none{}, nil
		})
	register(api, s.writing(http.MethodPost, "/api/v1/drift-readings", "read-drift", "Find the axis from the drift of stars",
		"On the running tracker, without guiding. Two readings some hours apart in hour angle, of the drift in star declination, are enough; a refusal says what to measure next. "+
			"The mount must not have been moved since. The result counts as a sighting."),
		func(_ context.Context, in *driftInput) (*sightingOutput, error) {
			return s.taken(s.o.Board.ReadDrift(in.Body.readings()))
		})
	register(api, s.writing(http.MethodPost, "/api/v1/frame-centres", "read-frames", "Find the axis from pictures solved elsewhere",
		"Taken by a camera on the head at different head angles: three are enough, two when the angles are given. The tripod must not have been moved since. The result counts as a sighting."),
		func(_ context.Context, in *frameInput) (*sightingOutput, error) {
			return s.taken(s.o.Board.ReadFrames(in.Body.frames()))
		})
	register(api, s.reading("/api/v1/sightable", "get-sightable", "What could be sighted now", "CAUTION for the Sun: "+sky.SunCaution),
		func(context.Context, *struct{}) (*sightableOutput, error) {
			out, err := s.sightable()
			if err != nil {
				return nil, s.refused("looking at the night sky", err)
			}
			return &sightableOutput{Body: out}, nil
		})
}

func (s *Server) taken(r daemon.SightingRecord, err error) (*sightingOutput, error) {
	if err != nil {
		return nil, s.refused("taking the sighting", err)
	}
	return &sightingOutput{Body: sightingOf(&r)}, nil
}

func (e *SightingEntry) sight() (daemon.Sight, error) {
	q := daemon.Sight{
		Kind: daemon.SightKind(e.Kind), Body: e.Body, How: daemon.SightHow(e.How), OffsetDeg: e.Offset, XDeg: e.X, YDeg: e.Y,
		BearingDeg: e.Bearing, AltitudeDeg: e.Altitude, SigmaDeg: e.Sigma, Sure: e.Sure, Note: printable(e.Note),
	}
	if q.Kind == daemon.SightSun && !e.ByShadow {
		return q, &daemon.Refusal{Code: "caution", Text: sky.SunCaution + " Send by_shadow to say that it was done so."}
	}
	if (e.Lat == nil) != (e.Lon == nil) {
		return q, &daemon.Refusal{Code: "landmark", Text: "lat_deg and lon_deg belong together: give both"}
	}
	if e.Lat != nil {
		q.Landmark = &astro.Site{LatDeg: *e.Lat, LonDeg: *e.Lon}
		if e.Height != nil {
			q.Landmark.HeightM, q.HeightKnown = *e.Height, true
		}
	}
	return q, nil
}

func (e *DriftEntry) readings() daemon.DriftReadings {
	q := daemon.DriftReadings{RateSigmaArcsecPerMin: e.RateSigma, Sure: e.Sure, Note: printable(e.Note)}
	for _, l := range e.Readings {
		q.Readings = append(q.Readings, daemon.DriftReading{Star: l.Star, Time: l.Time, Rates: pole.DriftReading{
			HourAngleDeg: l.HourAngle, DecDeg: l.Dec, NorthArcsecPerMin: l.North, NorthSigma: l.NorthSigma,
			EastArcsecPerMin: l.East, EastSigma: l.EastSigma, Label: l.Label,
		}})
	}
	return q
}

func (e *FrameEntry) frames() daemon.FrameCentres {
	q := daemon.FrameCentres{Sure: e.Sure, Note: printable(e.Note)}
	for _, l := range e.Frames {
		q.Frames = append(q.Frames, daemon.FrameCentre{RADeg: l.RA, DecDeg: l.Dec, Time: l.Time, SigmaDeg: l.Sigma, HeadDeg: l.Head, HeadSigmaDeg: l.HeadSigma, Label: l.Label})
	}
	return q
}

func sightingOf(r *daemon.SightingRecord) Sighting {
	out := Sighting{
		ID: r.ID, Time: Time(r.Time), Kind: string(r.Kind), How: Text(r.How), Body: Text(r.Body), InUse: r.InUse, Revoked: r.Revoked,
		Sight: sigmaOf(r.SigmaDeg, true), Note: Text(r.Note),
	}
	if r.Altitude != nil {
		out.Altitude, out.AltitudeSigma = Known(r.Altitude.Deg), knownSigma(r.Altitude.SigmaDeg)
	}
	if r.Azimuth != nil {
		out.Azimuth, out.AzimuthSigma = azimuth(r.Azimuth.Deg), knownSigma(r.Azimuth.SigmaDeg)
	}
	if r.WasAltitude != nil {
		out.WasAltitude = Known(r.WasAltitude.Deg)
	}
	if r.WasAzimuth != nil {
		out.WasAzimuth = azimuth(r.WasAzimuth.Deg)
	}
	if r.TempC != nil {
		out.Temp = Known(*r.TempC)
	}
	if f := r.Fix; f != nil {
		out.Fix = &Fix{
			High: Known(f.HighArcmin), HighSigma: knownSigma(f.HighSigmaArcmin), East: Known(f.EastArcmin), EastSigma: knownSigma(f.EastSigmaArcmin),
			Correlation: Known(f.Correlation), ChiSquare: Known(f.ChiSquare), Freedom: f.Freedom, Outliers: []Outlier{}, Note: Text(f.Note),
		}
		for _, o := range f.Outliers {
			out.Fix.Outliers = append(out.Fix.Outliers, Outlier{Index: o.Index, Label: o.Label, Sigmas: Known(o.Sigmas)})
		}
	}
	return out
}

// sightableMag is the faintest star that is offered for a sighting by eye.
const sightableMag = 1.6

func (s *Server) sightable() (Sightable, error) {
	h := s.o.Board.Here()
	v, err := lookAt(&h, h.UTC)
	if err != nil {
		return Sightable{}, err
	}
	out := Sightable{Time: Time(h.UTC), Bodies: []SightableBody{}}
	add := func(kind, body string) error {
		t, err := sky.FindTarget(body, h.Site.Site.Hemisphere())
		if err != nil {
			return err
		}
		p := t.Place(v.observer, &v.moment)
		if !p.Visible {
			return nil
		}
		b := SightableBody{Kind: kind, Body: body, Name: t.Label(), Azimuth: azimuth(p.Seen.AzDeg), Altitude: Known(p.Seen.AltDeg), Caution: Text(sky.Caution(t.BodyName()))}
		if star := t.Star(); star != nil {
			b.VMag = Known(star.VMag)
		}
		out.Bodies = append(out.Bodies, b)
		return nil
	}
	list := [][2]string{{"sun", "sun"}, {"moon", "moon"}}
	for _, p := range sky.Planets() {
		list = append(list, [2]string{"planet", string(p)})
	}
	list = append(list, [2]string{"pole-star", "pole-star"})
	for _, star := range sky.Stars() {
		if star.VMag > sightableMag {
			break // brightest first
		}
		list = append(list, [2]string{"star", star.ID()})
	}
	for _, b := range list {
		if err := add(b[0], b[1]); err != nil {
			return out, err
		}
	}
	return out, nil
}
