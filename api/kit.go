package api

import (
	"context"
	"errors"
	"math"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/astro/trail"
	"plumbstar/daemon"
)

// Kit is what the user photographs and looks with.
type Kit struct {
	Pixel  float64     `json:"pixel_um" minimum:"0.5" maximum:"50" doc:"Pitch of the camera's pixels"`
	Trail  float64     `json:"trail_px" minimum:"0.1" maximum:"100" doc:"Longest trail that passes as a point"`
	Width  float64     `json:"sensor_width_mm" required:"false" minimum:"0" maximum:"200" doc:"0 when only the centre of the picture matters"`
	Height float64     `json:"sensor_height_mm" required:"false" minimum:"0" maximum:"200"`
	Lenses []KitLens   `json:"lenses" maxItems:"24" nullable:"false"`
	Finder FinderShape `json:"finder" doc:"The finder along the tracker's axis"`
}

// KitLens is one lens and an exposure wished for.
type KitLens struct {
	Name       string  `json:"name" required:"false" maxLength:"60" doc:"Left out: its focal length"`
	Focal      float64 `json:"focal_mm" minimum:"1" maximum:"5000"`
	Exposure   float64 `json:"exposure_s" exclusiveMinimum:"0" maximum:"86400"`
	Projection string  `json:"projection" required:"false" enum:"rectilinear,equidistant,equisolid,stereographic,orthographic" default:"rectilinear" doc:"For the corners of the picture"`
}

// Exposure is what the present alignment is good for, and what each wish needs.
type Exposure struct {
	Error  *AxisError      `json:"error" doc:"The error of the axis that it is judged by; null when it is not known"`
	Why    Text            `json:"why" doc:"Why the error is not known"`
	Pixel  float64         `json:"pixel_um"`
	Trail  float64         `json:"trail_px"`
	Lenses []ExposureOfOne `json:"lenses" nullable:"false"`
}

// AxisError is where the axis stands against the pole that is aimed at, on the
// night sky.
type AxisError struct {
	_         struct{} `nullable:"true"`
	High      Number   `json:"high_arcmin" doc:"Too high is positive"`
	HighSigma Number   `json:"high_sigma_arcmin"`
	East      Number   `json:"east_arcmin" doc:"Too far east is positive"`
	EastSigma Number   `json:"east_sigma_arcmin"`
	Size      Number   `json:"size_arcmin"`
}

// ExposureOfOne is the judgement of one lens and exposure, anywhere in the night sky.
type ExposureOfOne struct {
	Lens          string  `json:"lens"`
	Focal         float64 `json:"focal_mm"`
	Exposure      float64 `json:"exposure_s"`
	Verdict       string  `json:"verdict" enum:"yes,probably,no,not known"`
	Probability   Number  `json:"probability" doc:"That no star trails more than the limit, 0 to 1"`
	Trail         Number  `json:"trail_px" doc:"Longest trail at the estimated error"`
	Longest       Number  `json:"longest_s" doc:"Longest exposure if the error is just as estimated; at most a day"`
	Sure          Number  `json:"sure_s" doc:"Longest exposure that earns a yes; at most a day"`
	Allowed       Number  `json:"allowed_arcmin" doc:"Error of the axis that this exposure bears"`
	CornerVerdict string  `json:"corner_verdict" enum:"yes,probably,no,not known" doc:"The same in the worst corner of the picture"`
	CornerSure    Number  `json:"corner_sure_s"`
	CornerAllowed Number  `json:"corner_allowed_arcmin"`
}

type (
	kitOutput     struct{ Body Kit }
	kitInput      struct{ Body Kit }
	exposureInput struct {
		Focal    option[float64] `query:"focal_mm" doc:"A lens in place of the kit's, with exposure_s"`
		Exposure option[float64] `query:"exposure_s"`
		Pixel    option[float64] `query:"pixel_um"`
		Trail    option[float64] `query:"trail_px"`
		Error    option[float64] `query:"error_arcmin" doc:"Angle between axis and pole in place of the present one"`
		Sigma    option[float64] `query:"error_sigma_arcmin" doc:"Its 1 sigma"`
	}
	exposureOutput struct{ Body Exposure }
)

func (s *Server) registerKit(api huma.API) {
	const path = "/api/v1/kit"
	register(api, s.operation(http.MethodGet, path, "get-kit", "Camera, lenses and finder", ""),
		func(context.Context, *struct{}) (*kitOutput, error) {
			h := s.o.Board.Here()
			return &kitOutput{Body: kitOf(&h.Kit)}, nil
		})
	huma.Register(api, s.writing(http.MethodPut, path, "set-kit", "Set camera, lenses and finder", "The whole kit is replaced and kept."),
		func(_ context.Context, in *kitInput) (*none, error) {
			if err := s.o.Board.SetKit(in.Body.kit()); err != nil {
				return nil, s.refused("setting the kit", err)
			}
			return &none{}, nil
		})
	register(api, s.reading("/api/v1/exposure", "get-exposure", "What the alignment is good for, and what each wish needs", "For the kit, or for a lens given in the query."),
		func(_ context.Context, in *exposureInput) (*exposureOutput, error) {
			out, err := s.exposure(in)
			if err != nil {
				return nil, s.refused("judging the exposure", err)
			}
			return &exposureOutput{Body: out}, nil
		})
}

func kitOf(k *daemon.Kit) Kit {
	out := Kit{Pixel: k.PixelUM, Trail: k.TrailPx, Width: k.SensorWidthMM, Height: k.SensorHeightMM, Lenses: []KitLens{}, Finder: shapeOf(k.View())}
	for _, l := range k.Lenses {
		p := l.Projection
		if p == "" {
			p = trail.Rectilinear
		}
		out.Lenses = append(out.Lenses, KitLens{Name: l.Name, Focal: l.FocalMM, Exposure: l.ExposureS, Projection: string(p)})
	}
	return out
}

func (k *Kit) kit() daemon.Kit {
	out := daemon.Kit{PixelUM: k.Pixel, TrailPx: k.Trail, SensorWidthMM: k.Width, SensorHeightMM: k.Height, Finder: k.Finder.finder()}
	for _, l := range k.Lenses {
		out.Lenses = append(out.Lenses, daemon.Lens{Name: printable(l.Name), FocalMM: l.Focal, ExposureS: l.Exposure, Projection: trail.Projection(l.Projection)})
	}
	return out
}

// maxExposureS is the longest exposure that is told: a day.
const maxExposureS = 86400.0

func (s *Server) exposure(in *exposureInput) (Exposure, error) {
	h := s.o.Board.Here()
	k := h.Kit
	if in.Pixel.IsSet {
		k.PixelUM = in.Pixel.Value
	}
	if in.Trail.IsSet {
		k.TrailPx = in.Trail.Value
	}
	if in.Focal.IsSet != in.Exposure.IsSet {
		return Exposure{}, &daemon.Refusal{Code: "lens", Text: "focal_mm and exposure_s belong together: give both or neither"}
	}
	if in.Focal.IsSet {
		k.Lenses = []daemon.Lens{{Name: "as asked", FocalMM: in.Focal.Value, ExposureS: in.Exposure.Value}}
	}
	if err := k.Validate(); err != nil {
		return Exposure{}, &daemon.Refusal{Code: "lens", Text: err.Error()}
	}
	e, why := h.Error, h.WhyNoError
	if in.Error.IsSet {
		given := trail.ErrorOfSize(in.Error.Value, in.Sigma.Value)
		err := given.Validate()
		if in.Error.Value < 0 {
			err = errors.New("error_arcmin: give 0 or more, it is the angle between axis and pole")
		}
		if err != nil {
			return Exposure{}, &daemon.Refusal{Code: "error", Text: err.Error()}
		}
		e = &given
	}
	out := Exposure{Pixel: k.PixelUM, Trail: k.TrailPx, Lenses: []ExposureOfOne{}}
	if e != nil && e.Validate() != nil {
		e, why = nil, "the axis is farther than 45° from the pole"
	}
	if e != nil {
		out.Error = &AxisError{High: Known(e.HighArcmin), HighSigma: Known(e.HighSigmaArcmin), East: Known(e.EastArcmin), EastSigma: Known(e.EastSigmaArcmin), Size: Known(e.Size())}
	} else {
		out.Why = Text(orElse(why, "the sensors do not tell"))
	}
	for _, l := range k.Lenses {
		out.Lenses = append(out.Lenses, judged(k.Camera(l), l, e))
	}
	return out, nil
}

func judged(c trail.Kit, l daemon.Lens, e *trail.Error) ExposureOfOne {
	out := ExposureOfOne{
		Lens: l.Name, Focal: l.FocalMM, Exposure: l.ExposureS, Verdict: daemon.NotKnown, CornerVerdict: daemon.NotKnown,
		Allowed: Known(c.AllowedArcmin(l.ExposureS)), CornerAllowed: Known(c.AllowedCornerArcmin(l.ExposureS)),
	}
	if e == nil {
		return out
	}
	j, err := trail.Judge(c, l.ExposureS, *e)
	if err != nil {
		return out // kit and error were checked
	}
	seconds := func(v float64) Number { return Known(math.Min(v, maxExposureS)) }
	out.Verdict, out.CornerVerdict = string(j.Verdict), string(j.CornerVerdict)
	out.Probability, out.Trail = Known(j.Probability), Known(j.TrailPx)
	out.Longest, out.Sure, out.CornerSure = seconds(j.LongestS), seconds(j.SureS), seconds(j.CornerSureS)
	return out
}
