package display

import (
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// go test ./api/display -run Screens -png DIR
var pngDir = flag.String("png", "", "TestScreens draws every screen into this folder, each dot as 4x4")

func deg(v, sigma float64) estimator.Quantity {
	return estimator.Quantity{Deg: v, SigmaDeg: sigma, Known: true, Source: "compass"}
}

func not(why string) estimator.Quantity { return estimator.Quantity{Why: why} }

// snapshotOf is what the daemon would publish of an axis that stands raise below and
// turn west of the aim.
func snapshotOf(state estimator.State, h astro.Hemisphere, raise, turn estimator.Quantity) *daemon.Snapshot {
	aim := &guidance.Aim{AltitudeDeg: 51.92, Kind: "refracted", Hemisphere: h}
	alt, az := raise, turn
	alt.Deg = aim.AltitudeDeg - raise.Deg
	az.Deg = -turn.Deg
	if h == astro.South {
		aim.AzimuthDeg = 180
		az.Deg = 180 + turn.Deg
	}
	e := estimator.Estimate{State: state, Altitude: alt, Azimuth: az}
	var g guidance.Guide
	return &daemon.Snapshot{Seq: 1, Mono: time.Minute, Estimate: e, Guidance: g.Next(e, aim, "")}
}

type screenCase struct {
	name string
	Moment
	big   [2]string
	small string // joined with "|"
}

func screenCases() []screenCase {
	const page = "http://192.168.4.1:8484/"
	at := func(s *daemon.Snapshot) Moment { return Moment{Now: time.Minute, Snapshot: s, Page: page} }
	later := func(m Moment, d time.Duration) Moment { m.Now += d; return m }
	fresh := func(m Moment, d time.Duration) Moment { // as later, with a snapshot of then
		s := *m.Snapshot
		m.Now, s.Mono = m.Now+d, s.Mono+d
		m.Snapshot = &s
		return m
	}
	in := func(language string, m Moment) Moment { m.Language = language; return m }
	usual := snapshotOf(estimator.Steady, astro.North, deg(0.40, 0.09), deg(1.19, 0.9))
	noSite := &daemon.Snapshot{Mono: time.Minute, Estimate: estimator.Estimate{State: estimator.Settling}}
	noSite.Guidance = (&guidance.Guide{}).Next(noSite.Estimate, nil, "site not known")
	compass := snapshotOf(estimator.Settling, astro.North, deg(-3.2, 0.12), not("the compass is not calibrated: turn the board through all directions"))
	found := snapshotOf(estimator.Steady, astro.North, deg(0.40, 0.09), deg(1.19, 0.9))
	found.Warnings = []estimator.Warning{{Code: "watch-knock", Text: "The axis moved: 0.31° ± 0.02° (0.30° lower)."}}
	lost := snapshotOf(estimator.Lost, astro.North, not("no reading from the inertial sensor for 4 s"), not("no reading from the inertial sensor for 4 s"))
	return []screenCase{
		{"steady", at(usual), [2]string{"RAISE 0.4°", "EAST 1.2°"}, "to your right|±0.6° steady"},
		{"lower-west", at(snapshotOf(estimator.Moving, astro.North, deg(-12.2, 0.3), deg(-9.4, 1.2))), [2]string{"LOWER 12°", "WEST 9.4°"}, "to your left|±0.6° moving"},
		{"south", at(snapshotOf(estimator.Disturbed, astro.South, deg(0.7, 0.02), deg(134, 12))), [2]string{"RAISE 0.70°", "EAST 134°"}, "to your left|±7.5° disturbed"},
		{"fine", at(snapshotOf(estimator.Steady, astro.North, deg(0.07, 0.02), deg(0.12, 0.03))), [2]string{"RAISE 0.07°", "EAST 0.12°"}, "to your right|±0.03° steady"},
		{"one-done", at(snapshotOf(estimator.Settling, astro.North, deg(0.01, 0.09), deg(5.1, 0.9))), [2]string{"ALTITUDE OK", "EAST 5.1°"}, "to your right|±0.6° settling"},
		{"other-done", at(snapshotOf(estimator.Settling, astro.North, deg(2.5, 0.09), deg(0.1, 0.9))), [2]string{"RAISE 2.5°", "DIRECTION OK"}, "|±0.6° settling"},
		{"done", at(snapshotOf(estimator.Steady, astro.North, deg(0.01, 0.09), deg(0.1, 0.9))), [2]string{"LEAVE IT"}, "within ±0.6°|of the pole|steady"},
		{"vague", at(snapshotOf(estimator.Steady, astro.North, deg(4.9, 0.3), deg(2, 12))), [2]string{"RAISE 4.9°", "DIRECTION ±12°"}, "|±8.2° steady"},
		{"both-vague", at(snapshotOf(estimator.Steady, astro.North, deg(-0.5, 9), deg(2, 12))), [2]string{"ALTITUDE ±9°", "DIRECTION ±12°"}, "|±12° steady"},
		{"direction-unknown", at(compass), [2]string{"LOWER 3.2°", "DIRECTION ?"}, "|±0.1° settling"},
		{"direction-unknown-why", fresh(at(compass), 3*time.Second), [2]string{"LOWER 3.2°", "DIRECTION ?"}, "the compass is|not calibrated:"},
		{"moved", fresh(at(found), 6*time.Second), [2]string{"RAISE 0.4°", "EAST 1.2°"}, "MOVED The axis|moved: 0.31° ±"},
		{"lost", at(lost), [2]string{"NOT KNOWN"}, "no reading from|the inertial|sensor for 4 s"},
		{"stale", at(snapshotOf(estimator.Stale, astro.North, deg(0.4, 0.1), deg(1.2, 0.9))), [2]string{"WAIT"}, "the last|reading is too|old"},
		{"no-news", later(at(usual), 2100*time.Millisecond), [2]string{"NOT KNOWN"}, "the program|gives no news"},
		{"no-site", at(noSite), [2]string{"NOT KNOWN"}, "site not known"},
		{"starting", at(nil), [2]string{"WAIT"}, "plumbstar|starts"},
		{"pairing", Moment{Now: time.Minute, Snapshot: usual, Page: page, Code: "01234567"}, [2]string{"0123 4567"}, "pairing code|192.168.4.1|:8484"},
		{"pairing-tls", Moment{Now: time.Minute, Page: "https://192.168.178.123:8484/", Code: "98765432"}, [2]string{"9876 5432"}, "pairing code|192.168.178.123|:8484 https"},
		{"de-steady", in("de", at(usual)), [2]string{"HÖHER 0,4°", "OST 1,2°"}, "nach rechts|±0,6° ruhig"},
		{"de-watched", Moment{Now: time.Minute, Snapshot: usual, Armed: true, Language: "de"}, [2]string{"HÖHER 0,4°", "OST 1,2°"}, "nach rechts|±0,6° bewacht"},
		{"de-done", in("de", at(snapshotOf(estimator.Steady, astro.North, deg(0.01, 0.09), deg(0.1, 0.9)))), [2]string{"SO LASSEN"}, "auf ±0,6°|am Pol|ruhig"},
		{"de-one-done", in("de", at(snapshotOf(estimator.Disturbed, astro.North, deg(0.01, 0.09), deg(5.1, 0.9)))), [2]string{"HÖHE STIMMT", "OST 5,1°"}, "nach rechts|±0,6° gestört"},
	}
}

func TestScreens(t *testing.T) {
	for _, c := range screenCases() {
		s := Compose(c.Moment)
		small := strings.TrimRight(strings.Join(s.Small[:], "|"), "|")
		if s.Big != c.big || small != c.small {
			t.Errorf("%s: %q over %q; want %q over %q", c.name, s.Big, small, c.big, c.small)
		}
		for _, line := range s.Small {
			if utf8.RuneCountInString(line) > columns {
				t.Errorf("%s: %q does not fit", c.name, line)
			}
		}
		if *pngDir != "" {
			drawPNG(t, c.name, Draw(s))
		}
	}
}

// drawPNG writes a picture as the red filter shows it.
func drawPNG(t *testing.T, name string, img image.Image) {
	t.Helper()
	const scale = 4
	out := image.NewRGBA(image.Rect(0, 0, scale*width, scale*height))
	for y := range scale * height {
		for x := range scale * width {
			c := color.RGBA{A: 255}
			if r, _, _, _ := img.At(x/scale, y/scale).RGBA(); r > 0 {
				c.R = 220
			}
			if x%scale == 0 || y%scale == 0 {
				c.R /= 2
			}
			out.Set(x, y, c)
		}
	}
	f, err := os.Create(filepath.Join(*pngDir, name+".png"))
	if err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(f, out); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintln(os.Stderr, f.Name())
}
