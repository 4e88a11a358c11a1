package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/astro"
)

// Controls is how the API changes the daemon. Values were checked for form and
// range; a *RefusedError is shown to the client.
type Controls interface {
	SetSite(ctx context.Context, name string, site astro.Site) error
	// SetClock tells that it is utc now, with a 1-sigma error of sigmaS seconds.
	SetClock(ctx context.Context, utc time.Time, sigmaS float64) error
}

// Site is where the board believes to be.
type Site struct {
	Known      bool   `json:"known"`
	Name       Text   `json:"name"`
	Lat        Number `json:"lat_deg" doc:"Geodetic (WGS 84), north positive"`
	Lon        Number `json:"lon_deg" doc:"East positive"`
	Height     Number `json:"height_m" doc:"Above the ellipsoid"`
	Hemisphere Text   `json:"hemisphere"`
	Source     Text   `json:"source" doc:"settings, entered or gnss"`
	Field      *Field `json:"field" doc:"Model of the Earth's magnetic field there; null without site or valid date"`
}

// Field is the model field at the site.
type Field struct {
	_                struct{} `nullable:"true"`
	Declination      Number   `json:"declination_deg" doc:"Magnetic, positive east"`
	DeclinationSigma Number   `json:"declination_sigma_deg"`
	Inclination      Number   `json:"inclination_deg" doc:"Dip, positive down"`
	Total            Number   `json:"total_uT"`
	Horizontal       Number   `json:"horizontal_uT"`
	Zone             string   `json:"zone" doc:"ok, caution or blackout: whether a compass works there"`
}

// SiteEntry is a site as a client sets it.
type SiteEntry struct {
	Name   string  `json:"name,omitempty" maxLength:"60"`
	Lat    float64 `json:"lat_deg" minimum:"-90" maximum:"90" doc:"Geodetic (WGS 84), north positive"`
	Lon    float64 `json:"lon_deg" minimum:"-180" maximum:"360" doc:"East positive"`
	Height float64 `json:"height_m,omitempty" minimum:"-500" maximum:"9000" doc:"Above the ellipsoid; 0 when not given"`
}

// Clock says what the daemon believes about the time.
type Clock struct {
	Time      Time   `json:"time" doc:"UTC; null when it cannot be right"`
	Plausible bool   `json:"plausible"`
	Source    Text   `json:"source" doc:"system; system, synchronised; entered; gnss; or unknown"`
	Sigma     Number `json:"sigma_s"`
	Offset    Number `json:"offset_s" doc:"What is added to the system clock"`
	Why       Text   `json:"why" doc:"Why it is not plausible"`
}

// ClockEntry is a time as a client sets it: the time now.
type ClockEntry struct {
	Time  time.Time `json:"time" doc:"RFC 3339, the time at which this is sent"`
	Sigma float64   `json:"sigma_s,omitempty" exclusiveMinimum:"0" maximum:"86400" default:"1" doc:"1-sigma error of the sender's clock"`
}

type (
	siteOutput  struct{ Body Site }
	siteInput   struct{ Body SiteEntry }
	clockOutput struct{ Body Clock }
	clockInput  struct{ Body ClockEntry }
)

func (s *Server) registerSite(api huma.API) {
	const path = "/api/v1/site"
	register(api, s.operation(http.MethodGet, path, "get-site", "Where the board believes to be", ""),
		func(context.Context, *struct{}) (*siteOutput, error) { return &siteOutput{Body: s.site()}, nil })
	if s.o.Controls == nil {
		return
	}
	huma.Register(api, s.operation(http.MethodPut, path, "set-site", "Set the site", ""),
		func(ctx context.Context, in *siteInput) (*none, error) {
			site := astro.Site{LatDeg: in.Body.Lat, LonDeg: in.Body.Lon, HeightM: in.Body.Height}
			if site.LonDeg > 180 {
				site.LonDeg -= 360
			}
			if err := site.Validate(); err != nil {
				return nil, huma.Error422UnprocessableEntity(err.Error())
			}
			return s.answer("setting the site", s.o.Controls.SetSite(ctx, printable(in.Body.Name), site))
		})
}

func (s *Server) registerClock(api huma.API) {
	const path = "/api/v1/clock"
	register(api, s.operation(http.MethodGet, path, "get-clock", "What the daemon believes about the time", ""),
		func(context.Context, *struct{}) (*clockOutput, error) { return &clockOutput{Body: s.clock()}, nil })
	if s.o.Controls == nil {
		return
	}
	huma.Register(api, s.operation(http.MethodPut, path, "set-clock", "Set the daemon's time", "The system clock is left alone."),
		func(ctx context.Context, in *clockInput) (*none, error) {
			return s.answer("setting the clock", s.o.Controls.SetClock(ctx, in.Body.Time.UTC(), in.Body.Sigma))
		})
}

// site is that of this moment: who has just set it reads what was set. The field
// belongs to the newest snapshot, and is left out while that is of another place.
func (s *Server) site() Site {
	snap := s.o.Source.Latest()
	if snap == nil {
		return Site{}
	}
	t := snap.Site
	if s.o.Board != nil {
		t = s.o.Board.Here().Site
	}
	if !t.Known {
		return Site{}
	}
	out := Site{
		Known: true, Name: Text(t.Name), Lat: place(t.Site.LatDeg), Lon: place(t.Site.LonDeg), Height: Known(t.Site.HeightM),
		Hemisphere: Text(t.Site.Hemisphere()), Source: Text(t.Source),
	}
	if f := snap.Field; f != nil && snap.Site.Site == t.Site {
		out.Field = &Field{
			Declination: Known(f.DeclinationDeg), DeclinationSigma: knownSigma(f.DeclinationSigmaDeg), Inclination: Known(f.InclinationDeg),
			Total: Known(f.TotalNT / 1000), Horizontal: Known(f.HorizontalNT / 1000), Zone: string(f.Zone),
		}
	}
	return out
}

func (s *Server) clock() Clock {
	snap := s.o.Source.Latest()
	if snap == nil {
		return Clock{Why: "the daemon has not started yet"}
	}
	c, now := snap.Clock, snap.Time.Add(s.hub.age(snap))
	if s.o.Board != nil {
		h := s.o.Board.Here()
		c, now = h.Clock, h.UTC
	}
	out := Clock{Plausible: c.Plausible, Source: Text(c.Source), Offset: Known(c.OffsetS), Why: Text(c.Why)}
	if c.Plausible {
		out.Time = Time(now)
	}
	if c.SigmaS >= 0 {
		out.Sigma = knownSigma(c.SigmaS)
	}
	return out
}

// place keeps a coordinate as it was entered: 1e-4° would be 11 m. + 0 turns -0
// into 0.
func place(deg float64) Number { return Number{Value: deg + 0, Known: true} }
