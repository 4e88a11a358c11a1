package api

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
	"plumbstar/daemon"
	"plumbstar/daemon/guidance"
)

// onBoard is a described server with a fake board.
func onBoard(t *testing.T) (*contract, *fakeBoard, http.Header) {
	t.Helper()
	f := newFakeBoard()
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	c := newContract(t, start(t, func(o *Options) { o.Board = f }))
	return c, f, bearer(c.token(t, RoleWrite))
}

func into[T any](t *testing.T, b []byte) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return v
}

func TestCalibrationResources(t *testing.T) {
	c, f, w := onBoard(t)
	const path = "/api/v1/calibrations"
	temp := 12.0
	f.inUse = []daemon.CalibrationRecord{{ID: 7, Time: f.here.UTC, TimeSure: true, Part: daemon.PartCompass, Method: daemon.CalibrateBoard, Board: "X at 0x1c", TempC: &temp, SigmaDeg: 0.2, Figures: []daemon.Figure{{Name: "coverage", Text: "seen", Value: 0.8}}}}
	got := into[Calibrations](t, c.check(t, 200, "GET", path, "", nil))
	if len(got.InUse) != 1 || got.InUse[0].Part != "compass" || got.InUse[0].Figures[0].Value.Value != 0.8 || got.Session != nil {
		t.Errorf("%+v", got)
	}
	if b := c.check(t, 409, "GET", path+"/session", "", nil); !strings.Contains(string(b), `"code":"no-session"`) {
		t.Errorf("no session: %s", b)
	}
	s := into[CalibrationSession](t, c.check(t, 200, "POST", path, `{"kind":"board"}`, w))
	if s.Kind != "board" || s.NextUp == nil || s.NextUp.Forward != 1 || s.Turned.Known || s.Coverage.Value != 0.31 || s.WantTurn.Known {
		t.Errorf("%+v", s)
	}
	c.check(t, 200, "GET", path+"/session", "", nil)
	if got = into[Calibrations](t, c.check(t, 200, "GET", path, "", nil)); got.Session == nil || got.Session.Message == "" {
		t.Errorf("%+v", got)
	}
	// Parts are accepted and refused apart; refused altogether is a problem.
	f.result = daemon.CalibrationResult{Kind: daemon.CalibrateBoard, Running: true, Parts: []daemon.CalibrationPart{
		{Part: daemon.PartAccelerometer, Accepted: true, SigmaDeg: 0.04, Figures: []daemon.Figure{{Name: "poses", Value: 12}, {Name: "reference_c", Value: math.NaN()}}},
		{Part: daemon.PartCompass, Reason: "too few directions: turn it more"},
	}}
	o := into[CalibrationOutcome](t, c.check(t, 200, "POST", path+"/session/finish", "{}", w))
	if o.Accepted || !o.Running || len(o.Parts) != 2 || !o.Parts[0].Accepted || o.Parts[1].Reason == "" || o.Parts[1].Sigma.Known {
		t.Errorf("%+v", o)
	}
	f.result.Parts[0] = daemon.CalibrationPart{Part: daemon.PartAccelerometer, Reason: "no rest pose: let it rest"}
	b := string(c.check(t, 422, "POST", path+"/session/finish", "{}", w))
	for _, says := range []string{`"code":"calibration-refused"`, "no rest pose", "too few directions", `"location":"compass"`} {
		if !strings.Contains(b, says) {
			t.Errorf("%s does not say %s", b, says)
		}
	}
	f.err = &daemon.Refusal{Code: "session-running", Text: "a calibration of kind board is running: finish or cancel it first", Conflict: true}
	if b := c.check(t, 409, "POST", path, `{"kind":"head"}`, w); !strings.Contains(string(b), "kind board is running") {
		t.Errorf("%s", b)
	}
	c.check(t, 422, "POST", path, `{"kind":"dance"}`, w)
	c.check(t, 204, "DELETE", path+"/session", "{}", w)
	f.err = errDisk
	if b := c.check(t, 500, "POST", path+"/session/finish", "{}", w); strings.Contains(string(b), "disk") {
		t.Errorf("an inner fault is shown: %s", b)
	}
	// Writing needs pairing.
	for _, x := range [][2]string{{"POST", path}, {"POST", path + "/session/finish"}, {"DELETE", path + "/session"}, {"POST", "/api/v1/sightings"}, {"DELETE", "/api/v1/sightings"}, {"POST", "/api/v1/drift-readings"}, {"POST", "/api/v1/frame-centres"}, {"PUT", "/api/v1/kit"}} {
		c.check(t, 401, x[0], x[1], "{}", nil)
		c.check(t, 403, x[0], x[1], "{}", bearer(c.token(t, RoleRead)))
	}
}

func TestCalibrationOffer(t *testing.T) {
	c, f, w := onBoard(t)
	const path = "/api/v1/calibrations"
	if o := into[Calibrations](t, c.check(t, 200, "GET", path, "", nil)).Offer; o.State != "none" || o.Sigma.Known || len(o.Figures) != 0 {
		t.Errorf("%+v", o)
	}
	f.offer = daemon.TemperatureOffer{State: daemon.OfferOpen, Proven: true, Skipped: []string{"night 3: the board turned during it"}, Record: &daemon.CalibrationRecord{
		Part: daemon.PartTemperature, Method: daemon.CalibrationNights, Board: "LSM6DSO", SigmaDeg: 0.01, Figures: []daemon.Figure{{Name: "nights", Value: 6}, {Name: "x_mg_per_c", Value: math.NaN()}},
	}}
	if o := into[Calibrations](t, c.check(t, 200, "GET", path, "", nil)).Offer; o.State != "open" || !o.Proven || o.Sigma.Value != 0.01 || len(o.Figures) != 2 || o.Figures[1].Value.Known || len(o.Skipped) != 1 || string(o.Board) != "LSM6DSO" {
		t.Errorf("%+v", o)
	}
	c.check(t, 401, "POST", path+"/offer/accept", "{}", nil)
	c.check(t, 403, "POST", path+"/offer/accept", "{}", bearer(c.token(t, RoleRead)))
	f.err = &daemon.Refusal{Code: "watch-armed", Text: "the watch is armed: disarm it first", Conflict: true}
	if b := c.check(t, 409, "POST", path+"/offer/accept", "{}", w); !strings.Contains(string(b), `"code":"watch-armed"`) {
		t.Errorf("%s", b)
	}
	if o := into[AcceptedOffer](t, c.check(t, 200, "POST", path+"/offer/accept", "{}", w)); o.Offer.State != "in-use" || o.NotKept != "" {
		t.Errorf("%+v", o)
	}
}

func TestSightingResources(t *testing.T) {
	c, f, w := onBoard(t)
	f.all = []daemon.SightingRecord{f.record(daemon.SightMoon), {Time: f.here.UTC, Kind: daemon.SightLandmark, Revoked: true}}
	all := into[Sightings](t, c.check(t, 200, "GET", "/api/v1/sightings", "", nil))
	if len(all.Sightings) != 2 || all.Sightings[0].Azimuth.Value != 0 || all.Sightings[0].Fix.Outliers[0].Label != "reading 2" || all.Sightings[1].Altitude.Known || !all.Sightings[1].Revoked {
		t.Errorf("%+v", all)
	}
	c.check(t, 200, "POST", "/api/v1/sightings", `{"kind":"pole-star","how":"in-finder","x_deg":0.3,"y_deg":-0.5,"sigma_deg":0.1}`, w)
	if q := f.sight; q.Kind != daemon.SightPoleStar || q.How != daemon.SightInFinder || q.XDeg != 0.3 || q.YDeg != -0.5 || q.SigmaDeg != 0.1 {
		t.Errorf("%+v", q)
	}
	c.check(t, 200, "POST", "/api/v1/sightings", `{"kind":"landmark","lat_deg":51.95,"lon_deg":8.5,"height_m":300,"offset_deg":180}`, w)
	if q := f.sight; q.Landmark == nil || *q.Landmark != (astro.Site{LatDeg: 51.95, LonDeg: 8.5, HeightM: 300}) || !q.HeightKnown || q.OffsetDeg != 180 || q.How != daemon.SightAlong {
		t.Errorf("%+v", q)
	}
	c.check(t, 200, "POST", "/api/v1/sightings", `{"kind":"landmark","bearing_deg":0}`, w)
	if q := f.sight; q.BearingDeg == nil || *q.BearingDeg != 0 || q.Landmark != nil {
		t.Errorf("%+v", q)
	}
	// The Sun only by its shadow, with the caution at the moment of use.
	if b := c.check(t, 422, "POST", "/api/v1/sightings", `{"kind":"sun"}`, w); !strings.Contains(string(b), "Never look at the Sun") || !strings.Contains(string(b), `"code":"caution"`) {
		t.Errorf("%s", b)
	}
	c.check(t, 200, "POST", "/api/v1/sightings", `{"kind":"sun","how":"above","by_shadow":true}`, w)
	for _, op := range []string{"take-sighting", "get-sightable"} {
		if d := c.described(op); !strings.Contains(d, sky.SunCaution) {
			t.Errorf("%s is described without the caution: %s", op, d)
		}
	}
	f.err = &daemon.Refusal{Code: "contradiction", Text: "this would put it elsewhere; if you are sure, say so", Conflict: true}
	if b := c.check(t, 409, "POST", "/api/v1/sightings", `{"kind":"moon"}`, w); !strings.Contains(string(b), `"code":"contradiction"`) {
		t.Errorf("%s", b)
	}
	for _, bad := range []string{`{"kind":"ufo"}`, `{}`, `{"kind":"moon","sigma_deg":99}`, `{"kind":"landmark","lat_deg":50}`, `{"kind":"moon","unknown":1}`} {
		c.check(t, 422, "POST", "/api/v1/sightings", bad, w)
	}
	c.check(t, 200, "POST", "/api/v1/drift-readings", `{"readings":[{"star":"Capella","time":"2027-01-15T17:50:00Z","north_arcsec_per_min":2.5,"north_sigma":0.3},{"hour_angle_deg":-75,"declination_deg":10,"east_arcsec_per_min":1,"east_sigma":1,"label":"east"}],"rate_sigma_arcsec_per_min":0.5,"sure":true}`, w)
	if q := f.drift; len(q.Readings) != 2 || q.Readings[0].Star != "Capella" || q.Readings[0].Rates.NorthArcsecPerMin != 2.5 || q.Readings[1].Rates.HourAngleDeg != -75 || q.RateSigmaArcsecPerMin != 0.5 || !q.Sure {
		t.Errorf("%+v", q)
	}
	c.check(t, 422, "POST", "/api/v1/drift-readings", `{"readings":[]}`, w)
	f.err = &daemon.Refusal{Code: "degenerate", Text: "the readings leave one direction open: measure a star near the meridian"}
	if b := c.check(t, 422, "POST", "/api/v1/drift-readings", `{"readings":[{"hour_angle_deg":1}]}`, w); !strings.Contains(string(b), "near the meridian") {
		t.Errorf("%s", b)
	}
	c.check(t, 200, "POST", "/api/v1/frame-centres", `{"frames":[{"ra_deg":37.9,"dec_deg":70,"time":"2027-01-15T17:50:00Z","head_deg":0},{"ra_deg":120,"dec_deg":71,"time":"2027-01-15T17:52:00Z","sigma_deg":0.01}]}`, w)
	if q := f.frames; len(q.Frames) != 2 || q.Frames[0].HeadDeg == nil || *q.Frames[0].HeadDeg != 0 || q.Frames[1].HeadDeg != nil || q.Frames[1].RADeg != 120 || !q.Frames[0].Time.Equal(time.Date(2027, 1, 15, 17, 50, 0, 0, time.UTC)) {
		t.Errorf("%+v", q)
	}
	c.check(t, 204, "DELETE", "/api/v1/sightings", "{}", w)
	if !f.revoked {
		t.Error("not revoked")
	}
	bodies := into[Sightable](t, c.check(t, 200, "GET", "/api/v1/sightable", "", nil))
	kinds := map[string]int{}
	for _, b := range bodies.Bodies {
		kinds[b.Kind]++
		if b.Altitude.Value < 0 || (b.Caution != "") != (b.Kind == "sun") {
			t.Errorf("%+v", b)
		}
	}
	if kinds["sun"] != 0 || kinds["moon"] != 1 || kinds["pole-star"] != 1 || kinds["star"] < 5 {
		t.Errorf("in the evening of 2027-01-15: %v", kinds)
	}
	f.here.UTC = time.Date(2027, 1, 15, 11, 0, 0, 0, time.UTC)
	bodies = into[Sightable](t, c.check(t, 200, "GET", "/api/v1/sightable", "", nil))
	if len(bodies.Bodies) == 0 || bodies.Bodies[0].Kind != "sun" || bodies.Bodies[0].Caution == "" {
		t.Errorf("at noon: %+v", bodies.Bodies)
	}
}

// described is the description of an operation.
func (c *contract) described(id string) string {
	for _, item := range c.doc.Paths.Map() {
		for _, op := range item.Operations() {
			if op.OperationID == id {
				return op.Description
			}
		}
	}
	return ""
}

// The star in the finder, as the API gives it, against the astronomy itself.
func TestPoleStarResource(t *testing.T) {
	c, f, _ := onBoard(t)
	const path = "/api/v1/polestar"
	p := into[PoleStar](t, c.check(t, 200, "GET", path, "", nil))
	o, err := sky.NewObserver(f.here.Site.Site, f.here.Air)
	if err != nil {
		t.Fatal(err)
	}
	m, err := sky.At(astro.InstantOf(f.here.UTC))
	if err != nil {
		t.Fatal(err)
	}
	star := o.Seen(&m, sky.PoleStar(astro.North))
	want := pole.DefaultFinder().Mark(astro.Direction{AltDeg: 51.912}, star.Direction)
	if p.Star.ID != star.ID || math.Abs(p.Mark.XDeg-want.XDeg) > 1e-9 || math.Abs(p.Mark.YDeg-want.YDeg) > 1e-9 || *p.Mark.ScaleHour != *want.ScaleHour {
		t.Errorf("mark %+v, want %+v", p.Mark, want)
	}
	if len(p.Later) != 7 || len(p.Field) < 3 || p.Circles != nil || p.Caution != "" || !p.Above || p.Finder.View != "erect" {
		t.Errorf("%+v", p)
	}
	// One second of clock is 15 arcsec about the pole: 0.0042°.
	if a := p.Accuracy.Angle.Value; a < 0.004 || a > 0.006 {
		t.Errorf("position angle ± %v°", a)
	}
	q := into[PoleStar](t, c.check(t, 200, "GET", path+"?view=inverted&field_deg=8&scale_hours=24&rotation_deg=90&counterclockwise=true&time=2027-01-15T20:00:00Z", "", nil))
	if q.Finder.View != "inverted" || q.Finder.Field != 8 || q.Finder.Hours != 24 || !q.Finder.CounterClockwise || math.Abs(q.Mark.PositionAngleDeg-p.Mark.PositionAngleDeg) < 20 {
		t.Errorf("%+v", q)
	}
	if math.Abs(q.Mark.AngleDeg-astro.Turn360(q.Mark.PositionAngleDeg+180)) > 1e-6 {
		t.Errorf("inverted view: angle %v°, on the night sky %v°", q.Mark.AngleDeg, q.Mark.PositionAngleDeg)
	}
	f.here.Kit.Finder = pole.Finder{View: pole.Mirrored, FieldDeg: 5, LimitMag: 8, Circles: []pole.Circle{{Year: 2020, RadiusArcmin: 39}, {Year: 2030, RadiusArcmin: 36}}}
	r := into[PoleStar](t, c.check(t, 200, "GET", path, "", nil))
	if r.Circles == nil || r.Circles.Inner == nil || r.Circles.Outer == nil || r.Mark.ScaleHour != nil || len(r.Finder.Circles) != 2 {
		t.Errorf("%+v", r.Circles)
	}
	if s := into[PoleStar](t, c.check(t, 200, "GET", path+"?star=sun", "", nil)); s.Caution == "" || s.AltSeen.Known || s.Above {
		t.Errorf("the Sun: %+v", s)
	}
	for _, bad := range []string{"?star=nowhere", "?view=sideways", "?field_deg=900", "?time=yesterday", "?time=1950-01-01T00:00:00Z", "?field_deg=wide"} {
		c.check(t, 422, "GET", path+bad, "", nil)
	}
	f.here.Clock.SigmaS = -1
	if s := into[PoleStar](t, c.check(t, 200, "GET", path, "", nil)); s.Accuracy.Angle.Known {
		t.Errorf("with an unsure clock: %+v", s.Accuracy)
	}
	f.here.Clock = daemon.ClockStatus{Why: "the clock shows 1999: set the clock"}
	if b := c.check(t, 409, "GET", path, "", nil); !strings.Contains(string(b), "set the clock") {
		t.Errorf("%s", b)
	}
	f.here.Site = daemon.SiteStatus{}
	for _, p := range []string{path, "/api/v1/tonight", "/api/v1/sightable", "/api/v1/last-step"} {
		if b := c.check(t, 409, "GET", p, "", nil); !strings.Contains(string(b), `"code":"site-not-known"`) {
			t.Errorf("%s: %s", p, b)
		}
	}
}

func TestTonightResource(t *testing.T) {
	c, f, _ := onBoard(t)
	n := into[Tonight](t, c.check(t, 200, "GET", "/api/v1/tonight", "", nil))
	if n.Date != "2027-01-15" || n.Align == nil || n.Sunset == nil || len(n.Dark) == 0 || len(n.InFinder) != 5 || n.PoleStar.Name != "Polaris" {
		t.Errorf("%+v", n)
	}
	// A midsummer night in the north has no darkness and says so.
	f.here.Site.Site.LatDeg = 66
	n = into[Tonight](t, c.check(t, 200, "GET", "/api/v1/tonight?date=2027-06-21", "", nil))
	if n.Align != nil || n.AlignNote == "" || n.Sunset != nil || len(n.InFinder) != 0 {
		t.Errorf("%+v", n)
	}
	c.check(t, 422, "GET", "/api/v1/tonight?date=2027-02-30", "", nil)
	c.check(t, 422, "GET", "/api/v1/tonight?date=1900-01-01", "", nil)
}

func TestKitAndExposure(t *testing.T) {
	c, f, w := onBoard(t)
	k := into[Kit](t, c.check(t, 200, "GET", "/api/v1/kit", "", nil))
	if k.Pixel != 4.3 || len(k.Lenses) != 1 || k.Lenses[0].Projection != "rectilinear" || k.Finder.View != "erect" || k.Finder.Circles == nil {
		t.Errorf("%+v", k)
	}
	// What is read can be written.
	body, err := json.Marshal(k)
	if err != nil {
		t.Fatal(err)
	}
	c.check(t, 204, "PUT", "/api/v1/kit", string(body), w)
	if f.kit == nil || f.kit.PixelUM != 4.3 || f.kit.Lenses[0].FocalMM != 24 || f.kit.Finder.FieldDeg != 6 {
		t.Errorf("%+v", f.kit)
	}
	c.check(t, 204, "PUT", "/api/v1/kit", `{"pixel_um":3.8,"trail_px":2,"sensor_width_mm":36,"sensor_height_mm":24,"lenses":[{"focal_mm":12,"exposure_s":60,"projection":"equisolid"}],"finder":{"view":"flipped","field_deg":5,"limit_mag":7,"scale_hours":24,"counterclockwise":true,"circles":[{"year":2025,"radius_arcmin":37.5}]}}`, w)
	if f.kit.Finder.View != pole.Flipped || len(f.kit.Finder.Circles) != 1 || f.kit.Lenses[0].Projection != "equisolid" || f.kit.SensorWidthMM != 36 {
		t.Errorf("%+v", f.kit)
	}
	for _, bad := range []string{`{}`, `{"pixel_um":0,"trail_px":1,"lenses":[],"finder":{"view":"erect","field_deg":6,"limit_mag":7,"scale_hours":12}}`, `{"pixel_um":4,"trail_px":1,"lenses":[{"focal_mm":24}],"finder":{"view":"erect","field_deg":6,"limit_mag":7,"scale_hours":12}}`} {
		c.check(t, 422, "PUT", "/api/v1/kit", bad, w)
	}
	f.err = &daemon.Refusal{Code: "kit", Text: "view \"odd\""}
	c.check(t, 422, "PUT", "/api/v1/kit", string(body), w)

	e := into[Exposure](t, c.check(t, 200, "GET", "/api/v1/exposure", "", nil))
	if e.Error == nil || e.Error.High.Value != -20 || len(e.Lenses) != 1 || e.Lenses[0].Verdict == daemon.NotKnown || !e.Lenses[0].Sure.Known {
		t.Errorf("%+v", e)
	}
	// polar_error.md, 10: 14 mm, 4.3 µm, 60.3' of error give one pixel in 240 s.
	e = into[Exposure](t, c.check(t, 200, "GET", "/api/v1/exposure?focal_mm=14&exposure_s=240&error_arcmin=60.3", "", nil))
	if l := e.Lenses[0]; math.Abs(l.Trail.Value-1) > 0.01 || math.Abs(l.Longest.Value-240) > 2 || math.Abs(l.Allowed.Value-60.3) > 0.6 {
		t.Errorf("%+v", l)
	}
	if e = into[Exposure](t, c.check(t, 200, "GET", "/api/v1/exposure?focal_mm=14&exposure_s=240&error_arcmin=0", "", nil)); e.Lenses[0].Longest.Value != 86400 || e.Lenses[0].Verdict != "yes" {
		t.Errorf("no error at all: %+v", e.Lenses[0])
	}
	c.check(t, 422, "GET", "/api/v1/exposure?focal_mm=14", "", nil)
	c.check(t, 422, "GET", "/api/v1/exposure?focal_mm=0&exposure_s=240", "", nil)
	c.check(t, 422, "GET", "/api/v1/exposure?error_arcmin=-4", "", nil)
	f.here.Error, f.here.WhyNoError = nil, "the compass is not calibrated"
	e = into[Exposure](t, c.check(t, 200, "GET", "/api/v1/exposure", "", nil))
	if e.Error != nil || e.Why != "the compass is not calibrated" || e.Lenses[0].Verdict != daemon.NotKnown || e.Lenses[0].Sure.Known || !e.Lenses[0].Allowed.Known {
		t.Errorf("%+v", e)
	}
}

// What to do at the finder: nothing in view, the pole star somewhere, another
// star, north and south.
func TestLastStep(t *testing.T) {
	c, f, _ := onBoard(t)
	const path = "/api/v1/last-step"
	f.here.Error.EastArcmin, f.here.Error.EastSigmaArcmin = 100, 120
	l := into[LastStep](t, c.check(t, 200, "GET", path, "", nil))
	if l.Seen != "none" || len(l.Search) == 0 || l.Move != nil || !strings.Contains(l.Text, "Polaris is not in view") {
		t.Errorf("%+v", l)
	}
	for _, site := range []struct {
		site astro.Site
		aim  guidance.Aim
		name string
	}{
		{astro.Site{LatDeg: 51.9, LonDeg: 8.4}, guidance.Aim{AltitudeDeg: 51.912, Kind: "refracted", Hemisphere: astro.North}, "Polaris"},
		{astro.Site{LatDeg: -31.6, LonDeg: 139.3}, guidance.Aim{AltitudeDeg: 31.625, AzimuthDeg: 180, Kind: "refracted", Hemisphere: astro.South}, "Polaris Australis"},
	} {
		f.here.Site.Site, f.here.Aim = site.site, &site.aim
		f.here.UTC = time.Date(2027, 6, 9, 14, 0, 0, 0, time.UTC)
		f.here.Error.HighArcmin, f.here.Error.EastArcmin, f.here.Error.HighSigmaArcmin, f.here.Error.EastSigmaArcmin = 20, -30, 15, 30
		// The axis is 0.4° too high and 0.6° too far west; what shows, by the
		// astronomy itself, that of the inverse's own tests.
		east := 1.0
		if site.aim.Hemisphere == astro.South {
			east = -1
		}
		axis := astro.Direction{AltDeg: site.aim.AltitudeDeg + 0.4, AzDeg: astro.Turn360(site.aim.AzimuthDeg - east*0.6/math.Cos(site.aim.AltitudeDeg*math.Pi/180))}
		o, err := sky.NewObserver(site.site, f.here.Air)
		if err != nil {
			t.Fatal(err)
		}
		m, err := sky.At(astro.InstantOf(f.here.UTC))
		if err != nil {
			t.Fatal(err)
		}
		finder := pole.DefaultFinder()
		star := o.Seen(&m, sky.PoleStar(site.site.Hemisphere()))
		at := finder.Mark(axis, star.Direction)
		spots := []string{spot(at)}
		for _, s := range finder.Field(axis, o.Field(&m, 6.5)) {
			if s.ID != star.ID && len(spots) < 4 {
				spots = append(spots, spot(s.Mark))
			}
		}
		l := into[LastStep](t, c.check(t, 200, "GET", path+"?spots="+strings.Join(spots, "%3B"), "", nil))
		if l.Which == nil || !l.Which.Sure || l.Move == nil {
			t.Errorf("%s: %+v", site.name, l)
			continue
		}
		if l.Move.Star != site.name || math.Abs(l.Move.Raise.Value+0.4) > 0.03 || math.Abs(l.Move.TurnEast.Value-0.6/math.Cos(site.aim.AltitudeDeg*math.Pi/180)) > 0.05 {
			t.Errorf("%s: %+v", site.name, l.Move)
		}
		mark := finder.Mark(astro.Direction{AltDeg: site.aim.AltitudeDeg, AzDeg: site.aim.AzimuthDeg}, star.Direction)
		if math.Abs(l.Move.Right.Value-(mark.XDeg-at.XDeg)) > 0.01 || math.Abs(l.Move.Up.Value-(mark.YDeg-at.YDeg)) > 0.01 || !strings.Contains(l.Text, "lower 0.4") || !strings.Contains(l.Text, "turn east") {
			t.Errorf("%s: %+v: %s", site.name, l.Move, l.Text)
		}
	}
	c.check(t, 422, "GET", path+"?spots=here", "", nil)
	c.check(t, 422, "GET", path+"?spots=40,40", "", nil)
	f.here.Error, f.here.WhyNoError = nil, "the compass settles"
	if b := c.check(t, 409, "GET", path, "", nil); !strings.Contains(string(b), "the compass settles") {
		t.Errorf("%s", b)
	}
}

func spot(m pole.Mark) string {
	b, _ := json.Marshal([]float64{m.XDeg, m.YDeg})
	return strings.Trim(string(b), "[]")
}

// Without a board nothing of it exists.
func TestWithoutABoard(t *testing.T) {
	b := start(t, nil)
	for _, path := range []string{"calibrations", "sightings", "polestar", "tonight", "kit", "exposure", "last-step", "sightable"} {
		if r, _ := b.do(t, "GET", "/api/v1/"+path, "", nil); r.StatusCode != 404 {
			t.Errorf("%s: %d", path, r.StatusCode)
		}
	}
}

// Each operation of the board says what it is and which token it needs.
func TestAdjusterResources(t *testing.T) {
	c, f, w := onBoard(t)
	const path = "/api/v1/adjusters"
	a := into[Adjusters](t, c.check(t, 200, "GET", path, "", nil))
	if z := a.Azimuth; !a.Tell || !z.Known || z.Turn.Value != -2.4 || z.BacklashSigma.Value != 0.05 || z.Cross.Known || a.Altitude.Turn.Known || a.Altitude.Known {
		t.Errorf("%+v", a)
	}
	c.check(t, 200, "POST", path+"/turns", `{"adjuster":"azimuth","turns":-0.75}`, w)
	if f.turned != guidance.AzimuthAdjuster || f.turns != -0.75 {
		t.Errorf("told %s %g", f.turned, f.turns)
	}
	f.err = &daemon.Refusal{Code: "no-step", Text: "no movement was seen", Conflict: true}
	if b := c.check(t, 409, "POST", path+"/turns", `{"adjuster":"altitude","turns":1}`, w); !strings.Contains(string(b), `"code":"no-step"`) {
		t.Errorf("%s", b)
	}
	for _, bad := range []string{`{}`, `{"adjuster":"focus","turns":1}`, `{"adjuster":"altitude","turns":51}`} {
		c.check(t, 422, "POST", path+"/turns", bad, w)
	}
	c.check(t, 204, "DELETE", path, "{}", w)
	if f.turned != "" {
		t.Error("not forgotten")
	}
	for _, x := range [][2]string{{"POST", path + "/turns"}, {"DELETE", path}} {
		c.check(t, 401, x[0], x[1], "{}", nil)
		c.check(t, 403, x[0], x[1], "{}", bearer(c.token(t, RoleRead)))
	}
}

func TestBoardIsDescribed(t *testing.T) {
	c, _, _ := onBoard(t)
	n := 0
	for path, item := range c.doc.Paths.Map() {
		for method, op := range item.Operations() {
			n++
			if op.Summary == "" || op.OperationID == "" {
				t.Errorf("%s %s: no summary or name", method, path)
			}
			if needs := op.Security != nil && len(*op.Security) > 0; needs != (method != "GET" && path != "/api/v1/pairing") {
				t.Errorf("%s %s: security %v", method, path, op.Security)
			}
		}
	}
	if n < 31 {
		t.Errorf("%d operations", n)
	}
}
