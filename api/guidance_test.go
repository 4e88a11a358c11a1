package api

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// TestGuidanceExample compares the example snapshot with the JSON that the
// design of the API promises for it.
func TestGuidanceExample(t *testing.T) {
	g := GuidanceFrom(larkmoor(1))
	want := `{"time":"2026-11-20T18:30:00.250Z","state":"steady","hemisphere":"north",` +
		`"axis":{"altitude_deg":51.52,"altitude_sigma_deg":0.09,"azimuth_deg":358.81,"azimuth_sigma_deg":0.9,"roll_deg":0.3},` +
		`"aim":{"altitude_deg":51.92,"azimuth_deg":0,"kind":"refracted"},` +
		`"move":{"raise_deg":0.4,"turn_east_deg":1.19,"text":"Raise 0.4°, turn east 1.2°"},` +
		`"error_deg":0.84,"error_sigma_deg":0.56,` +
		`"budget":[{"part":"noise","altitude_deg":0.003,"azimuth_deg":0.02,"roll_deg":0.003},` +
		`{"part":"calibration","altitude_deg":0.08,"azimuth_deg":0.8,"roll_deg":0.09},{"part":"declination model","azimuth_deg":0.33}],` +
		`"reliance":{"altitude":"accelerometer","azimuth":"compass"},` +
		`"good_for":[{"lens":"24 mm","exposure_s":120,"verdict":"yes"},{"lens":"50 mm","exposure_s":60,"verdict":"probably"},{"lens":"135 mm","exposure_s":30,"verdict":"no"}],` +
		`"warnings":[]}`
	if diff := cmp.Diff(want, string(g.AppendJSON(nil))); diff != "" {
		t.Errorf("JSON differs (-want +got):\n%s", diff)
	}
	g.T = Known(12.34)
	if got := string(g.AppendJSON(nil)); !strings.HasPrefix(got, `{"t_s":12.34,"time":`) {
		t.Errorf("with the time of a recording: %.60s", got)
	}
}

// TestGuidanceNulls states which numbers each situation allows.
func TestGuidanceNulls(t *testing.T) {
	unknown := func(why string) estimator.Quantity { return estimator.Quantity{Why: why} }
	for name, c := range map[string]struct {
		change                                  func(*daemon.Snapshot)
		altitude, azimuth, aim, raise, turn, er bool
		text                                    string
		warning                                 string // must be contained in one of the warnings
	}{
		"steady":    {func(*daemon.Snapshot) {}, true, true, true, true, true, true, "Raise 0.4°, turn east 1.2°", ""},
		"settling":  {state(estimator.Settling), true, true, true, true, true, true, "Raise 0.4°, turn east 1.2°", ""},
		"moving":    {state(estimator.Moving), true, true, true, true, true, true, "Raise 0.4°, turn east 1.2°", ""},
		"disturbed": {state(estimator.Disturbed), true, true, true, true, true, true, "Raise 0.4°, turn east 1.2°", ""},
		"stale":     {state(estimator.Stale), true, true, true, false, false, false, "Not known: the last reading is too old", "too old"},
		"lost":      {state(estimator.Lost), false, false, true, false, false, false, "Not known: no sensor can be used", "no sensor can be used"},
		"no compass": {func(s *daemon.Snapshot) {
			why := "the magnetometer does not answer"
			s.Estimate.Azimuth, s.Guidance.TurnEast, s.Guidance.Error = unknown(why), unknown(why), unknown(why)
			s.Guidance.Text = "Raise 0.4°; direction not known"
		}, true, false, true, true, false, false, "Raise 0.4°; direction not known", "The azimuth of the axis is not known: the magnetometer does not answer."},
		"no site": {func(s *daemon.Snapshot) {
			s.Guidance.Aim = nil
			s.Site = daemon.SiteStatus{}
			u := unknown("no site is set")
			s.Guidance.Raise, s.Guidance.TurnEast, s.Guidance.Error = u, u, u
			s.Guidance.Text = "Not known: no site is set"
		}, true, true, false, false, false, false, "Not known: no site is set", "The aim is not known: no site is set."},
		"not finite": {func(s *daemon.Snapshot) {
			s.Estimate.Altitude.Deg = math.NaN()
			s.Guidance.Error.SigmaDeg = math.Inf(1)
		}, false, true, true, true, true, false, "Raise 0.4°, turn east 1.2°", "not a finite number"},
	} {
		t.Run(name, func(t *testing.T) {
			s := larkmoor(1)
			c.change(s)
			g := GuidanceFrom(s)
			for what, is := range map[string][2]bool{
				"altitude": {g.Axis.Altitude.Known, c.altitude}, "altitude sigma": {g.Axis.AltitudeSigma.Known, c.altitude},
				"azimuth": {g.Axis.Azimuth.Known, c.azimuth}, "azimuth sigma": {g.Axis.AzimuthSigma.Known, c.azimuth},
				"reliance altitude": {g.Reliance.Altitude != "", c.altitude}, "reliance azimuth": {g.Reliance.Azimuth != "", c.azimuth},
				"aim altitude": {g.Aim.Altitude.Known, c.aim}, "aim azimuth": {g.Aim.Azimuth.Known, c.aim}, "hemisphere": {g.Hemisphere != "", c.aim},
				"raise": {g.Move.Raise.Known, c.raise}, "turn": {g.Move.TurnEast.Known, c.turn},
				"error": {g.Error.Known, c.er}, "error sigma": {g.ErrorSigma.Known, c.er},
			} {
				if is[0] != is[1] {
					t.Errorf("%s known: %v, want %v", what, is[0], is[1])
				}
			}
			if g.Move.Text != c.text {
				t.Errorf("text %q, want %q", g.Move.Text, c.text)
			}
			all, _ := json.Marshal(g.Warnings)
			if !strings.Contains(string(all), c.warning) || (c.warning == "" && len(g.Warnings) > 0) {
				t.Errorf("warnings %s, want %q", all, c.warning)
			}
			for _, f := range g.GoodFor {
				if (f.Verdict == "not known") == c.er {
					t.Errorf("%s: verdict %q while the error is known: %v", f.Lens, f.Verdict, c.er)
				}
			}
			for _, p := range g.Budget {
				if p.Altitude.Known && !c.altitude || p.Azimuth.Known && !c.azimuth {
					t.Errorf("budget part %v of a number that is not known", p)
				}
			}
		})
	}
}

func state(s estimator.State) func(*daemon.Snapshot) {
	return func(snap *daemon.Snapshot) { snap.Estimate.State = s }
}

func TestGuidanceEveryReasonOnce(t *testing.T) {
	s := larkmoor(1)
	u := estimator.Quantity{Why: "the accelerometer does not answer"}
	s.Estimate = estimator.Estimate{State: estimator.Lost, Altitude: u, Azimuth: u, Roll: u,
		Warnings: []estimator.Warning{{Code: "inertial-lost", Text: "The inertial sensor does not answer: the accelerometer does not answer."}}}
	s.Guidance.Raise, s.Guidance.TurnEast, s.Guidance.Error = u, u, u
	s.Warnings = s.Estimate.Warnings
	if g := GuidanceFrom(s); len(g.Warnings) != 1 {
		t.Errorf("one cause, %d warnings: %v", len(g.Warnings), g.Warnings)
	}
}

func TestGuidanceWithoutSnapshot(t *testing.T) {
	g := GuidanceFrom(nil)
	if g.State != "lost" || g.Axis.Altitude.Known || len(g.Warnings) != 1 || g.Warnings[0].Code != "starting" {
		t.Errorf("before the first snapshot: %+v", g)
	}
}

func TestGuidanceImplausibleClock(t *testing.T) {
	s := larkmoor(1)
	s.Clock = daemon.ClockStatus{Source: "unknown", SigmaS: -1, Why: "the clock stands at 1970"}
	g := GuidanceFrom(s)
	if !time.Time(g.Time).IsZero() || len(g.Warnings) != 1 || g.Warnings[0].Code != "clock-not-known" {
		t.Errorf("time %v, warnings %v", time.Time(g.Time), g.Warnings)
	}
	if !strings.Contains(string(g.AppendJSON(nil)), `"time":null`) {
		t.Error("the time is not null")
	}
}

func TestGuidanceWithdrawn(t *testing.T) {
	g := GuidanceFrom(larkmoor(1))
	g.withdraw(7 * time.Second)
	var m map[string]any
	if err := json.Unmarshal(g.AppendJSON(nil), &m); err != nil {
		t.Fatal(err)
	}
	if m["state"] != "lost" || m["error_deg"] != nil || m["move"].(map[string]any)["raise_deg"] != nil || m["axis"].(map[string]any)["altitude_deg"] != nil {
		t.Errorf("numbers are left: %v", m)
	}
	if w := m["warnings"].([]any)[0].(map[string]any); w["code"] != "loop-silent" || !strings.Contains(w["text"].(string), "7 s") {
		t.Errorf("warning %v", w)
	}
}

func TestNumber(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", math.Copysign(0, -1): "0", -0.00004: "0", 51.52: "51.52", 0.00005: "0.0001", -1.23456: "-1.2346",
		math.NaN(): "null", math.Inf(1): "null", math.Inf(-1): "null", math.MaxFloat64: "1.7976931348623157e+308", 1e-9: "0",
	} {
		if b, err := json.Marshal(Known(v)); err != nil || string(b) != want {
			t.Errorf("%v: %s (%v), want %s", v, b, err, want)
		}
	}
	if b, _ := json.Marshal(Number{}); string(b) != "null" {
		t.Errorf("the zero value is %s, want null", b)
	}
	if n := knownSigma(1e-7); !n.Known || n.Value <= 0 {
		t.Errorf("a small sigma became %v", n)
	}
	for deg, want := range map[float64]float64{359.99999: 0, 360: 0, -0.00001: 0, -1: 359, 720.5: 0.5, 0: 0} {
		if n := azimuth(deg); n.Value != want {
			t.Errorf("azimuth %v became %v, want %v", deg, n.Value, want)
		}
	}
}

// plain types have no MarshalJSON at the top, so that encoding/json goes by the
// tags: the written-out encoder must say the same.
type plain Guidance

func TestEncoderAgainstTags(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Custom(func(t *rapid.T) Number {
			if rapid.Bool().Draw(t, "known") {
				return Known(rapid.Float64().Draw(t, "value"))
			}
			return Number{}
		})
		text := rapid.Custom(func(t *rapid.T) Text { return Text(rapid.String().Draw(t, "text")) })
		draw := func(s string) string { return rapid.String().Draw(t, s) }
		g := Guidance{
			T:     number.Draw(t, "t"),
			Time:  Time(time.Unix(rapid.Int64Range(-1e11, 1e12).Draw(t, "time"), 0)),
			State: draw("state"), Hemisphere: text.Draw(t, "hemisphere"),
			Axis: Axis{number.Draw(t, "a"), number.Draw(t, "b"), number.Draw(t, "c"), number.Draw(t, "d"), number.Draw(t, "e")},
			Aim:  Aim{number.Draw(t, "f"), number.Draw(t, "g"), text.Draw(t, "h")}, Move: Move{number.Draw(t, "i"), number.Draw(t, "j"), draw("k")},
			Error: number.Draw(t, "l"), ErrorSigma: number.Draw(t, "m"),
			Budget: rapid.SliceOf(rapid.Custom(func(t *rapid.T) Part {
				return Part{rapid.String().Draw(t, "n"), number.Draw(t, "o"), number.Draw(t, "p"), number.Draw(t, "q")}
			})).Draw(t, "budget"),
			Reliance: Reliance{text.Draw(t, "r"), text.Draw(t, "s")},
			GoodFor: rapid.SliceOf(rapid.Custom(func(t *rapid.T) GoodFor {
				return GoodFor{rapid.String().Draw(t, "u"), rapid.Float64Range(-1e9, 1e9).Draw(t, "v"), rapid.String().Draw(t, "w")}
			})).Draw(t, "good"),
			Warnings: rapid.SliceOf(rapid.Custom(func(t *rapid.T) Warning {
				return Warning{rapid.String().Draw(t, "x"), rapid.String().Draw(t, "y")}
			})).Draw(t, "warnings"),
		}
		want, err := json.Marshal(plain(g))
		if err != nil {
			t.Fatal(err)
		}
		got := g.AppendJSON(nil)
		var a, b any
		if err := json.Unmarshal(got, &a); err != nil {
			t.Fatalf("not JSON: %v: %s", err, got)
		}
		if err := json.Unmarshal(want, &b); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(b, a); diff != "" {
			t.Fatalf("differs from the tags (-want +got):\n%s", diff)
		}
		if strings.ContainsAny(string(got), "\r\n") {
			t.Fatal("a line end would break an event of the stream")
		}
	})
}

func TestGuidanceRoundTrip(t *testing.T) {
	s := larkmoor(1)
	s.Guidance.Aim.Hemisphere, s.Estimate.Roll = astro.South, estimator.Quantity{Why: "x"}
	want := GuidanceFrom(s)
	var got Guidance
	if err := json.Unmarshal(want.AppendJSON(nil), &got); err != nil {
		t.Fatal(err)
	}
	if string(got.AppendJSON(nil)) != string(want.AppendJSON(nil)) {
		t.Errorf("read back as %s", got.AppendJSON(nil))
	}
}

// BenchmarkGuidanceEvent is one guidance event encoded, from the snapshot to
// the bytes that all listeners share.
func BenchmarkGuidanceEvent(b *testing.B) {
	src := &fakeSource{snap: larkmoor(123456)}
	h := newHub(&Options{Source: src, Now: time.Now, SilentAfter: time.Hour})
	b.ReportAllocs()
	for b.Loop() {
		h.encode()
	}
}

func BenchmarkGuidanceFrom(b *testing.B) {
	s := larkmoor(1)
	buf := make([]byte, 0, 2048)
	b.ReportAllocs()
	for b.Loop() {
		g := GuidanceFrom(s)
		buf = g.AppendJSON(buf[:0])
	}
}

// One reason is told once: what site and clock say of the field is not repeated.
func TestOneWarningForOneReason(t *testing.T) {
	const why = "date outside the magnetic model: year 2031."
	s := larkmoor(1)
	s.Estimate.Warnings = []estimator.Warning{{Code: "declination-not-known", Text: "No direction: " + why}, {Code: "clipped", Text: "Clipped: " + why}}
	s.Warnings = []estimator.Warning{{Code: "field-model", Text: "No direction from the compass: " + why}}
	g := GuidanceFrom(s)
	if len(g.Warnings) != 2 || g.Warnings[0].Code != "clipped" || g.Warnings[1].Code != "field-model" {
		t.Errorf("%+v", g.Warnings)
	}
	s.Warnings = nil
	if g = GuidanceFrom(s); len(g.Warnings) != 2 || g.Warnings[0].Code != "declination-not-known" {
		t.Errorf("%+v", g.Warnings)
	}
}
