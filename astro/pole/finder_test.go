package pole

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbstar/astro"
)

// Worked by hand: stars one degree from the pole, right up, right, below and
// left of it for the naked eye. In the north a star to the right stands east of
// the pole, in the south west of it.
func TestMarkByHand(t *testing.T) {
	const lat = 40
	north, south := astro.Direction{AltDeg: lat}, astro.Direction{AzDeg: 180, AltDeg: lat}
	side := math.Asin(math.Sin(1*radPerDeg)/math.Cos(lat*radPerDeg)) / radPerDeg // azimuth of a star 1° to the side, to first order
	for _, tt := range []struct {
		name  string
		aim   astro.Direction
		star  astro.Direction
		view  View
		pa    float64
		x, y  float64
		clock float64
		lies  string
	}{
		{"north, above, erect", north, astro.Direction{AltDeg: lat + 1}, Erect, 0, 0, 1, 0, "up"},
		{"north, above, inverted", north, astro.Direction{AltDeg: lat + 1}, Inverted, 0, 0, -1, 6, "down"},
		{"north, above, mirrored", north, astro.Direction{AltDeg: lat + 1}, Mirrored, 0, 0, 1, 0, "up"},
		{"north, above, flipped", north, astro.Direction{AltDeg: lat + 1}, Flipped, 0, 0, -1, 6, "down"},
		{"north, east, erect", north, astro.Direction{AzDeg: side, AltDeg: lat}, Erect, 90, 1, 0, 3, "right"},
		{"north, east, inverted", north, astro.Direction{AzDeg: side, AltDeg: lat}, Inverted, 90, -1, 0, 9, "left"},
		{"north, east, mirrored", north, astro.Direction{AzDeg: side, AltDeg: lat}, Mirrored, 90, -1, 0, 9, "left"},
		{"north, west, erect", north, astro.Direction{AzDeg: 360 - side, AltDeg: lat}, Erect, 270, -1, 0, 9, "left"},
		{"south, below, erect", south, astro.Direction{AzDeg: 180, AltDeg: lat - 1}, Erect, 180, 0, -1, 6, "down"},
		{"south, west, erect", south, astro.Direction{AzDeg: 180 + side, AltDeg: lat}, Erect, 90, 1, 0, 3, "right"},
		{"south, east, erect", south, astro.Direction{AzDeg: 180 - side, AltDeg: lat}, Erect, 270, -1, 0, 9, "left"},
		{"south, east, inverted", south, astro.Direction{AzDeg: 180 - side, AltDeg: lat}, Inverted, 270, 1, 0, 3, "right"},
	} {
		f := DefaultFinder()
		f.View = tt.view
		m := f.Mark(tt.aim, tt.star)
		const tolerance = 0.02 // the side stars stand a little above the pole's level
		turn := func(a, b, full float64) bool { return math.Abs(math.Remainder(a-b, full)) < full/360*1.5 }
		if math.Abs(m.OffsetArcmin-60) > 0.1 || !turn(m.PositionAngleDeg, tt.pa, 360) || math.Abs(m.XDeg-tt.x) > tolerance || math.Abs(m.YDeg-tt.y) > tolerance || !turn(m.ClockHour, tt.clock, 12) {
			t.Errorf("%s: %+v", tt.name, m)
		}
		if got := Towards(math.Round(m.XDeg), math.Round(m.YDeg)); got != tt.lies {
			t.Errorf("%s: lies %q, want %q", tt.name, got, tt.lies)
		}
	}
}

func TestScaleOfTheFinder(t *testing.T) {
	aim := astro.Direction{AltDeg: 45}
	star := astro.DirectionOf(tangent(aim).at(1*radPerDeg, 0)) // to the right: three o'clock
	for _, tt := range []struct {
		f    Finder
		want float64
	}{
		{Finder{View: Erect, FieldDeg: 6, Hours: 12}, 3},
		{Finder{View: Erect, FieldDeg: 6, Hours: 24}, 6},
		{Finder{View: Erect, FieldDeg: 6, Hours: 24, CounterClockwise: true}, 18},
		{Finder{View: Erect, FieldDeg: 6, Hours: 12, RotationDeg: 30}, 2},
		{Finder{View: Erect, FieldDeg: 6, Hours: 12, RotationDeg: 30, CounterClockwise: true}, 10},
		{Finder{View: Inverted, FieldDeg: 6, Hours: 24}, 18},
		{Finder{View: Inverted, FieldDeg: 6, Hours: 24, RotationDeg: 180}, 6},
	} {
		m := tt.f.Mark(aim, star)
		if m.ScaleHour == nil || math.Abs(*m.ScaleHour-tt.want) > 1e-9 {
			t.Errorf("%+v: scale %v, want %v", tt.f, m.ScaleHour, tt.want)
			continue
		}
		// The reading leads back to the place, and a star there need not move.
		x, y := tt.f.AtHour(*m.ScaleHour, m.OffsetArcmin)
		if move := m.From(x, y); math.Hypot(move.RightDeg, move.UpDeg) > 1e-9 {
			t.Errorf("%+v: the scale leads to %v, %v: %+v", tt.f, x, y, m)
		}
	}
	plain := Finder{View: Erect, FieldDeg: 6}
	m := plain.Mark(aim, star)
	if m.ScaleHour != nil {
		t.Errorf("no scale reads %v", *m.ScaleHour)
	}
	if x, y := plain.AtHour(3, 60); math.Abs(x-1) > 1e-9 || math.Abs(y) > 1e-9 {
		t.Errorf("three o'clock at 60' lies %v right and %v up", x, y)
	}
	if move := m.From(0.5, 0.5); move.Words != "down and right" || math.Abs(move.RightDeg-0.5) > 1e-9 {
		t.Errorf("the star must move %+v", move)
	}
}

func TestAmongCircles(t *testing.T) {
	f := DefaultFinder()
	if f.AmongCircles(40) != nil {
		t.Error("a place among no circles")
	}
	f.Circles = []Circle{{2040, 35}, {2010, 41}, {2025, 38}}
	if p := f.AmongCircles(36.5); p.Inner.Year != 2040 || p.Outer.Year != 2025 || math.Abs(p.Fraction-0.5) > 1e-9 {
		t.Errorf("36.5': %+v %+v %v", p.Inner, p.Outer, p.Fraction)
	}
	if p := f.AmongCircles(30); p.Inner != nil || p.Outer.Year != 2040 {
		t.Errorf("30': %+v", p)
	}
	if p := f.AmongCircles(50); p.Outer != nil || p.Inner.Year != 2010 {
		t.Errorf("50': %+v", p)
	}
}

// Which way the star goes, by hand: the axis up, the star down; the axis east,
// the star west, which is left facing north and right facing south.
func TestKnobsByHand(t *testing.T) {
	for _, tt := range []struct {
		name       string
		aim        astro.Direction
		view       View
		raise, tE  string
		xTurn, yUp float64
	}{
		{"north", astro.Direction{AltDeg: 50}, Erect, "down", "left", -math.Cos(50 * radPerDeg), -1},
		{"north, inverted", astro.Direction{AltDeg: 50}, Inverted, "up", "right", math.Cos(50 * radPerDeg), 1},
		{"north, mirrored", astro.Direction{AltDeg: 50}, Mirrored, "down", "right", math.Cos(50 * radPerDeg), -1},
		{"south", astro.Direction{AzDeg: 180, AltDeg: 30}, Erect, "down", "right", math.Cos(30 * radPerDeg), -1},
		{"south, inverted", astro.Direction{AzDeg: 180, AltDeg: 30}, Inverted, "up", "left", -math.Cos(30 * radPerDeg), 1},
	} {
		f := DefaultFinder()
		f.View = tt.view
		k := f.Knobs(tt.aim, tt.aim)
		if k.Raise.Words != tt.raise || k.TurnEast.Words != tt.tE || math.Abs(k.TurnEast.XPerDeg-tt.xTurn) > 1e-4 || math.Abs(k.Raise.YPerDeg-tt.yUp) > 1e-4 {
			t.Errorf("%s: %+v", tt.name, k)
		}
	}
}

// Mark and AxisSeeing undo each other for any axis, star and view, near the
// zenith too.
func TestAxisSeeingUndoesMark(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 14))
	for range 3000 {
		axis := astro.Direction{AzDeg: 360 * r.Float64(), AltDeg: 88 * r.Float64()}
		f := DefaultFinder()
		f.View = []View{Erect, Inverted, Mirrored, Flipped}[r.IntN(4)]
		star := astro.DirectionOf(tangent(axis).at(0.05*(2*r.Float64()-1), 0.05*(2*r.Float64()-1)))
		m := f.Mark(axis, star)
		got, ok := f.AxisSeeing(star, m.XDeg, m.YDeg, axis)
		if !ok || astro.Separation(got, axis) > 1e-6 {
			t.Fatalf("axis %+v, star %+v: back %+v %v", axis, star, got, ok)
		}
	}
	if _, ok := DefaultFinder().AxisSeeing(astro.Direction{AltDeg: 90}, 90, 0, astro.Direction{AltDeg: 0}); !ok {
		t.Log("the zenith a right angle to the side of a level axis has no single answer")
	}
}

func TestOffsetAtTheEdges(t *testing.T) {
	for _, tt := range []struct {
		name       string
		from, star astro.Direction
		arcmin, pa float64
	}{
		{"itself", astro.Direction{AltDeg: 45}, astro.Direction{AltDeg: 45}, 0, 0},
		{"zenith aim, star to its north", astro.Direction{AltDeg: 90}, astro.Direction{AltDeg: 89}, 60, 180},
		{"zenith aim, star to its south", astro.Direction{AltDeg: 90}, astro.Direction{AzDeg: 180, AltDeg: 89}, 60, 0},
		{"horizon aim", astro.Direction{}, astro.Direction{AzDeg: 359, AltDeg: 0}, 60, 270},
		{"opposite", astro.Direction{AltDeg: 30}, astro.Direction{AzDeg: 180, AltDeg: -30}, 180 * 60, math.NaN()},
	} {
		arcmin, pa := Offset(tt.from, tt.star)
		if math.Abs(arcmin-tt.arcmin) > 1e-6 || (!math.IsNaN(tt.pa) && math.Abs(astro.Turn180(pa-tt.pa)) > 1e-6) || math.IsNaN(pa) {
			t.Errorf("%s: %v' at %v°", tt.name, arcmin, pa)
		}
	}
}

func TestFinderRefusals(t *testing.T) {
	for _, tt := range []struct {
		change func(*Finder)
		says   string
	}{
		{func(f *Finder) { f.View = "upside-down" }, "view"},
		{func(f *Finder) { f.FieldDeg = 0 }, "field"},
		{func(f *Finder) { f.FieldDeg = math.NaN() }, "field"},
		{func(f *Finder) { f.LimitMag = 30 }, "magnitude"},
		{func(f *Finder) { f.RotationDeg = math.Inf(1) }, "rotation"},
		{func(f *Finder) { f.Hours = 10 }, "scale"},
		{func(f *Finder) { f.Circles = []Circle{{2020, -1}} }, "circle 1"},
	} {
		f := DefaultFinder()
		tt.change(&f)
		if err := f.Validate(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v: %v, want an error about the %s", f, err, tt.says)
		}
	}
	if err := DefaultFinder().Validate(); err != nil {
		t.Error(err)
	}
}
