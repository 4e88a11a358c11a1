package api

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"plumbstar/astro"
	"plumbstar/astro/pole"
)

// The tests of this file run with -chromium PATH. They compare what is drawn
// with the numbers that it stands for.

// answers lets the page see other answers to GET than the board gives: path to
// JSON. It holds for documents opened from now on.
func answers(page *tab, with map[string]any) {
	page.t.Helper()
	texts := map[string]string{}
	for path, v := range with {
		texts[path] = string(mustJSON(page.t, v))
	}
	page.atStart(`(() => {
  const more = ` + string(mustJSON(page.t, texts)) + `;
  const real = fetch;
  globalThis.fetch = async (path, init) => {
    if (path in more && (init?.method ?? "GET") === "GET") return new Response(more[path], { status: 200 });
    const answer = await real(path, init);
    if (path !== "/openapi.json") return answer;
    const doc = await answer.json();
    for (const p of Object.keys(more)) doc.paths[p] = {};
    return new Response(JSON.stringify(doc), { status: 200 });
  };
})()`)
}

// numbers is the value of an expression that gives a list of numbers.
func (b *tab) numbers(expression string) (v []float64) {
	b.t.Helper()
	if err := json.Unmarshal([]byte(b.eval("JSON.stringify("+expression+")")), &v); err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// TestPageMapIsTrue: the axis stands on the map where the API's numbers put it,
// the outline holds nine tenths of a normal distribution, and the ring is what
// the exposure bears.
func TestPageMapIsTrue(t *testing.T) {
	page := openTab(t, 360, 740)
	answers(page, map[string]any{"/api/v1/exposure": map[string]any{"lenses": []any{map[string]any{"lens": "24 mm", "exposure_s": 120, "verdict": "yes", "allowed_arcmin": 65.4}}}})
	for _, name := range []string{"north", "south", "far"} {
		b := start(t, nil)
		b.source.publish(scene(name, 2, 51.52, 358.81))
		page.open(b.url)
		page.says("Good enough for")
		page.says("bears 1.1°")
		g := get[Guidance](t, b.url+"/api/v1/guidance")
		v := page.numbers(`(() => {
  const map = document.getElementById("map");
  const m = map.querySelector(".axis").transform.baseVal.consolidate().matrix;
  const e = map.querySelector(".doubt");
  const outer = map.querySelector(".grid").r.baseVal.value;
  const scale = [...map.querySelectorAll("text")].map((x) => x.textContent).filter((x) => /^[0-9.]+°$/.test(x)).map(parseFloat);
  const k = Math.max(...scale) / outer;
  return [m.e * k, -m.f * k, e.rx.baseVal.value * k, e.ry.baseVal.value * k, (e.cx.baseVal.value - m.e), (e.cy.baseVal.value - m.f), map.querySelector(".ring").r.baseVal.value * k, k];
})()`)
		right, up, rx, ry, ring, unit := v[0], v[1], v[2], v[3], v[6], v[7]
		tolerance := 0.06 * unit // a tenth of the drawing's unit, rounded
		cos := math.Cos(g.Aim.Altitude.Value * math.Pi / 180)
		side := 1.0
		if g.Hemisphere == "south" {
			side = -1
		}
		const nineTenths = 2.145966 // sqrt(-2 ln 0.1): Rayleigh distribution
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"right", right, -side * g.Move.TurnEast.Value * cos}, {"up", up, -g.Move.Raise.Value},
			{"half width", rx, nineTenths * g.Axis.AzimuthSigma.Value * cos}, {"half height", ry, nineTenths * g.Axis.AltitudeSigma.Value},
			{"centre x", v[4], 0}, {"centre y", v[5], 0},
		} {
			if math.Abs(c.got-c.want) > tolerance {
				t.Errorf("%s: %s is %.3f, want %.3f (%+v)", name, c.what, c.got, c.want, g.Move)
			}
		}
		if name == "north" {
			if math.Abs(ring-65.4/60) > tolerance {
				t.Errorf("the ring is %.3f°, want %.3f°", ring, 65.4/60)
			}
			if d := math.Hypot(right, up); math.Abs(d-g.Error.Value) > 0.02*g.Error.Value {
				t.Errorf("drawn %.3f° from the pole, the API says %.3f°", d, g.Error.Value)
			}
		}
	}
}

// TestPageFinderIsTrue: stars worked by hand, one degree above the pole and one
// degree to the naked eye's right of it, are drawn where each kind of finder
// shows them, in both hemispheres; the scale runs as its owner says.
func TestPageFinderIsTrue(t *testing.T) {
	const lat = 40.0
	rad := math.Pi / 180
	toSide := math.Asin(math.Sin(1*rad)/math.Cos(lat*rad)) / rad // of azimuth, for a degree to the side
	for _, tt := range []struct {
		name         string
		aimAz        float64
		finder       pole.Finder
		above, right [2]float64 // where the two stars show, degrees right and up
		three        [2]float64 // where the scale's 3 stands, in its direction
	}{
		{"north, erect", 0, pole.Finder{View: pole.Erect, FieldDeg: 6, LimitMag: 7, Hours: 12}, [2]float64{0, 1}, [2]float64{1, 0}, [2]float64{1, 0}},
		{"south, erect", 180, pole.Finder{View: pole.Erect, FieldDeg: 6, LimitMag: 7, Hours: 12}, [2]float64{0, 1}, [2]float64{1, 0}, [2]float64{1, 0}},
		{"north, inverted, 24 hours", 0, pole.Finder{View: pole.Inverted, FieldDeg: 5, LimitMag: 7, Hours: 24}, [2]float64{0, -1}, [2]float64{-1, 0}, [2]float64{math.Sqrt2 / 2, math.Sqrt2 / 2}},
		{"south, inverted", 180, pole.Finder{View: pole.Inverted, FieldDeg: 6, LimitMag: 7, Hours: 12, CounterClockwise: true}, [2]float64{0, -1}, [2]float64{-1, 0}, [2]float64{-1, 0}},
		{"north, mirrored, turned", 0, pole.Finder{View: pole.Mirrored, FieldDeg: 4, LimitMag: 7, Hours: 12, RotationDeg: 90}, [2]float64{0, 1}, [2]float64{-1, 0}, [2]float64{0, -1}},
		{"south, flipped", 180, pole.Finder{View: pole.Flipped, FieldDeg: 6, LimitMag: 7, Hours: 12, Circles: []pole.Circle{{Year: 2030, RadiusArcmin: 60}}}, [2]float64{0, -1}, [2]float64{1, 0}, [2]float64{1, 0}},
	} {
		if tt.finder.Circles == nil {
			tt.finder.Circles = []pole.Circle{}
		}
		aim := astro.Direction{AltDeg: lat, AzDeg: tt.aimAz}
		// Facing north, right is east, growing azimuth; facing south, right is west,
		// growing azimuth as well.
		stars := []astro.Seen{
			{ID: "above", Name: "above", VMag: 2, Direction: astro.Direction{AltDeg: lat + 1, AzDeg: tt.aimAz}},
			{ID: "right", Name: "right", VMag: 4, Direction: astro.Direction{AltDeg: lat, AzDeg: astro.Turn360(tt.aimAz + toSide)}},
		}
		page := openTab(t, 360, 740)
		answers(page, map[string]any{"/api/v1/polestar": struct {
			pole.Guide
			Finder pole.Finder `json:"finder"`
		}{tt.finder.Guide(aim, stars[0], nil, stars), tt.finder}})
		b := start(t, nil)
		page.open(b.url + "/#star")
		page.says("Which way the star goes")
		v := page.numbers(`(() => {
  const f = document.querySelector(".finder");
  const c = (q) => { const e = f.querySelector(q); return e ? [e.cx.baseVal.value, -e.cy.baseVal.value] : [999, 999]; };
  const three = [...f.querySelectorAll(".hour")].find((x) => x.textContent === "3");
  return [...c('[data-id="above"]'), ...c('[data-id="right"]'), Number(three.getAttribute("x")), 4.5 - Number(three.getAttribute("y")), f.querySelector(".rim").r.baseVal.value, f.querySelector(".circle")?.r.baseVal.value ?? 0];
})()`)
		k := tt.finder.FieldDeg / 2 / v[6]
		const tolerance = 0.02 // the star to the side stands a little above the pole's level
		for i, want := range []float64{tt.above[0], tt.above[1], tt.right[0], tt.right[1]} {
			if math.Abs(v[i]*k-want) > tolerance {
				t.Errorf("%s: the stars are drawn at %.2f %.2f and %.2f %.2f, want %v and %v", tt.name, v[0]*k, v[1]*k, v[2]*k, v[3]*k, tt.above, tt.right)
				break
			}
		}
		if size := math.Hypot(v[4], v[5]); math.Abs(v[4]/size-tt.three[0]) > 0.02 || math.Abs(v[5]/size-tt.three[1]) > 0.02 {
			t.Errorf("%s: the 3 of the scale stands at %.2f %.2f, want %v", tt.name, v[4]/size, v[5]/size, tt.three)
		}
		if len(tt.finder.Circles) > 0 && math.Abs(v[7]*k-1) > 0.01 {
			t.Errorf("%s: the circle of 60′ is drawn with %.2f°", tt.name, v[7]*k)
		}
		page.night("finder-" + strings.ReplaceAll(tt.name, ", ", "-"))
		page.accessible(tt.name)
		page.quiet(b.url)
	}
}

// TestPageSeesTheStar: a tap on the picture says where the star is seen, in
// degrees right and up as the eye sees it.
func TestPageSeesTheStar(t *testing.T) {
	finder := pole.DefaultFinder()
	aim := astro.Direction{AltDeg: 40}
	star := astro.Seen{ID: "above", VMag: 2, Direction: astro.Direction{AltDeg: 41}}
	page := openTab(t, 360, 740)
	answers(page, map[string]any{"/api/v1/polestar": struct {
		pole.Guide
		Finder pole.Finder `json:"finder"`
	}{finder.Guide(aim, star, nil, []astro.Seen{star}), finder}})
	page.atStart(`(() => {
  const before = fetch;
  globalThis.sent = [];
  globalThis.fetch = async (path, init) => {
    if (path === "/api/v1/sightings" && init?.method === "POST") {
      sent.push(init.body);
      return new Response("{}", { status: 200 });
    }
    return before(path, init);
  };
})()`)
	b := start(t, nil)
	page.open(b.url + "/#star")
	page.says("Which way the star goes")
	v := page.numbers(`(() => { const r = document.querySelector(".finder .rim").getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2, r.width / 2] })()`)
	// A third of the way to the rim, to the right and down: +1° and -1° of 3°.
	click := map[string]any{"x": v[0] + v[2]/3, "y": v[1] + v[2]/3, "button": "left", "clickCount": 1}
	for _, kind := range []string{"mousePressed", "mouseReleased"} {
		click["type"] = kind
		page.call("Input.dispatchMouseEvent", click, nil)
	}
	page.says("right")
	page.night("tapped")
	page.press("The star is here")
	page.says("Taken: the guidance now rests on the star.")
	var got struct {
		Kind, How string
		X         float64 `json:"x_deg"`
		Y         float64 `json:"y_deg"`
	}
	if err := json.Unmarshal([]byte(page.eval(`sent[0]`)), &got); err != nil {
		t.Fatal(err)
	}
	if got.Kind != "pole-star" || got.How != "in-finder" || math.Abs(got.X-1) > 0.03 || math.Abs(got.Y+1) > 0.03 {
		t.Errorf("the board is told %+v", got)
	}
	page.quiet(b.url)
}

// TestPageReadsAngles: what a person may type as latitude or longitude.
func TestPageReadsAngles(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, nil)
	page.open(b.url)
	page.says("Raise 0.4°")
	for _, tt := range []struct {
		text, letters string
		want          float64
	}{
		{"51.9", "NS", 51.9}, {"-31,6", "NS", -31.6}, {"51 54 0 N", "NS", 51.9}, {"31 36 S", "NS", -31.6}, {"139°18'E", "EW", 139.3},
		{"8° 24′ 0″ W", "EW", -8.4}, {"+8.4", "EW", 8.4}, {"S 31 36 36", "NS", -31.61}, {"−0 30", "NS", -0.5}, {"139:18:36", "EW", 139.31},
		{"51 60", "NS", math.NaN()}, {"51.9 30", "NS", math.NaN()}, {"-31 S", "NS", math.NaN()}, {"8 E", "NS", math.NaN()}, {"", "NS", math.NaN()}, {"north", "NS", math.NaN()}, {"1 2 3 4", "NS", math.NaN()},
	} {
		got := page.eval(fmt.Sprintf(`import("/words.js").then((m) => String(m.parseAngle(%q, %q)))`, tt.text, tt.letters))
		if math.IsNaN(tt.want) {
			if got != "NaN" {
				t.Errorf("%q is taken for %s", tt.text, got)
			}
			continue
		}
		var v float64
		if _, err := fmt.Sscan(got, &v); err != nil || math.Abs(v-tt.want) > 1e-9 {
			t.Errorf("%q is taken for %s, want %v", tt.text, got, tt.want)
		}
	}
}
