package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
)

// Declination is the model field at the site and the date of now, as the command of
// that name prints it.
type Declination struct {
	Time        Time   `json:"time" doc:"null when the clock cannot be right"`
	Lat         Number `json:"lat_deg"`
	Lon         Number `json:"lon_deg"`
	Height      Number `json:"height_m"`
	Declination Number `json:"declination_deg" doc:"Magnetic, positive east; this and the rest null without site or valid date"`
	Sigma       Number `json:"declination_sigma_deg"`
	Inclination Number `json:"inclination_deg" doc:"Dip, positive down"`
	Total       Number `json:"total_nT"`
	Horizontal  Number `json:"horizontal_nT"`
	North       Number `json:"north_nT"`
	East        Number `json:"east_nT"`
	Down        Number `json:"down_nT"`
	Zone        Text   `json:"zone" doc:"ok, caution or blackout: whether a compass works there"`
	Why         Text   `json:"why" doc:"Why there is no field, or no heading in it; null when there is"`
}

type declinationOutput struct{ Body Declination }

func (s *Server) registerDeclination(api huma.API) {
	register(api, s.operation(http.MethodGet, "/api/v1/declination", "get-declination", "Magnetic declination, dip and strength at the site", "Of the model that the settings name."),
		func(context.Context, *struct{}) (*declinationOutput, error) {
			return &declinationOutput{Body: s.declination()}, nil
		})
}

func (s *Server) declination() Declination {
	snap := s.o.Source.Latest()
	if snap == nil {
		return Declination{Why: "the daemon has not started yet"}
	}
	at := s.site()
	out := Declination{Time: s.clock().Time, Lat: at.Lat, Lon: at.Lon, Height: at.Height}
	for _, w := range snap.Warnings {
		switch w.Code {
		case "site-not-known", "clock-implausible", "field-model", "magnetic-pole":
			out.Why = Text(w.Text)
		}
	}
	f := snap.Field
	if f == nil || at.Field == nil {
		if out.Why == "" {
			out.Why = "the field of this place is not computed yet: ask again in a second"
		}
		return out
	}
	out.Declination, out.Sigma, out.Inclination = Known(f.DeclinationDeg), knownSigma(f.DeclinationSigmaDeg), Known(f.InclinationDeg)
	out.Total, out.Horizontal = Known(f.TotalNT), Known(f.HorizontalNT)
	out.North, out.East, out.Down = Known(f.NorthNT), Known(f.EastNT), Known(f.DownNT)
	out.Zone = Text(f.Zone)
	return out
}
