package api

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// The tests of this file run with -chromium PATH.

// TestPageScenes: in each situation the page says what it must, at the width
// of the smallest phones too, and stays within the night palette.
func TestPageScenes(t *testing.T) {
	words := map[string][]string{
		"north":      {"Steady", "Raise 0.4°", "give or take 0.09°", "Turn east 1.2°", "to your right", "0.8° from the pole", "24 mm, 2 min yes", "135 mm, 30 s no"},
		"south":      {"Lower 2.9°", "Turn west 1.2°", "to your right"},
		"far":        {"Moving", "Raise 22°", "Turn west 103°", "to your left"},
		"no-compass": {"Raise 0.4°", "Direction not known", "no reading from the magnetometer for 4 s", "How far from the pole: not known", "24 mm, 2 min not known"},
		"disturbed":  {"Magnetic disturbance", "gyroscope", "60.2 µT where 48.1 is expected"},
		"lost":       {"No sensor can be used", "Altitude not known", "Direction not known"},
		"done":       {"Altitude is right", "Direction is right"},
		"no-clock":   {"the clock stands at 1970", "Pair this phone"},
	}
	page := openTab(t, 360, 740)
	for name, want := range words {
		b := start(t, nil)
		b.source.publish(scene(name, 2, 51.52, 358.81))
		page.size(360, 740)
		page.open(b.url)
		for _, w := range want {
			page.says(w)
		}
		page.says("Knobs of the simulated mount") // all is loaded
		for _, width := range []int{320, 360, 740} {
			page.size(width, map[int]int{320: 568, 360: 740, 740: 360}[width])
			page.fits(name)
			page.night(fmt.Sprintf("aim-%s-%d", name, width))
		}
		page.accessible(name)
		page.asked = append(page.asked, b.url+"/")
		page.quiet(b.url)
		page.asked = nil
	}
}

// TestPageFollowsAndLosesTheLink: numbers are live, are taken away at once when
// the link breaks and within seconds when it only falls silent, and come back.
func TestPageFollowsAndLosesTheLink(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	// frozen stands for a phone that walks out of reach: bytes no longer
	// arrive, but nothing is closed.
	way := newProxy(t, b.addr)
	page.open("http://" + way.addr)
	page.says("Raise 0.4°")
	b.source.publish(scene("north", 2, 50, 358.81))
	if d := page.says("Raise 1.9°"); d > time.Second {
		t.Errorf("a new state takes %v to the page", d)
	}
	way.freeze(true)
	if d := page.says("The link to the board is lost."); d > 4*time.Second {
		t.Errorf("silence is noticed after %v", d)
	}
	if text := page.text(); strings.Contains(text, "1.9°") || strings.Contains(text, "0.09°") || !strings.Contains(text, "Altitude not known") {
		t.Errorf("old numbers are left: %s", text)
	}
	page.night("link-lost")
	way.freeze(false)
	b.source.publish(scene("north", 3, 49, 358.81))
	if d := page.says("Raise 2.9°"); d > 4*time.Second {
		t.Errorf("the link is back after %v", d)
	}
	if text := page.text(); strings.Contains(text, "lost") {
		t.Errorf("the page still calls the link lost: %s", text)
	}
	way.cut()
	if d := page.says("The link to the board is lost."); d > time.Second {
		t.Errorf("a broken link is noticed after %v", d)
	}
	page.says("Raise 2.9°") // the browser comes back by itself
}

// TestPagePairsAndTurns: the code in the address pairs the page and disappears;
// then the knobs of the demo can be turned until the pole is reached.
func TestPagePairsAndTurns(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	seq := uint64(2)
	publish := func() {
		b.knobs.mu.Lock()
		alt, az := b.knobs.alt, b.knobs.az
		b.knobs.mu.Unlock()
		b.source.publish(scene("north", seq, 51.52+alt, 358.81+az))
		seq++
	}
	publish()
	page.open(b.url)
	page.says("Pair this phone first.")
	page.press("Pair this phone first.")
	page.says("it shows a code")
	code := issue(t, b.pairing, fiveMinutes())
	page.open("about:blank")
	page.open(b.url + "/#code=" + code)
	page.says("raise 0.1°")
	waitFor(t, "pairing", func() bool {
		return page.eval(`document.querySelectorAll("#knobs button").length > 8 && document.querySelectorAll("#knobs button:disabled").length === 0`) == "true"
	})
	if at := page.eval("location.href"); strings.Contains(at, code) {
		t.Errorf("the code stays in the address: %s", at)
	}
	if c := page.eval("document.cookie"); c != "" {
		t.Errorf("scripts can read the token: %s", c)
	}
	for _, press := range []string{"raise 0.1°", "raise 0.1°", "raise 0.1°", "raise 0.1°", "east 1°", "east 0.1°"} {
		before := seq
		page.press(press)
		waitFor(t, "the knob", func() bool {
			b.knobs.mu.Lock()
			defer b.knobs.mu.Unlock()
			return b.knobs.alt+b.knobs.az > 0 && seq == before
		})
		time.Sleep(60 * time.Millisecond)
		publish()
	}
	page.says("Altitude is right")
	page.says("Direction is right")
	page.quiet(b.url)
}

// TestPageSetsTheClock: a board without the time takes the phone's.
func TestPageSetsTheClock(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, func(o *Options) { o.Knobs = nil })
	b.source.publish(scene("no-clock", 2, 51.52, 358.81))
	page.open(b.url)
	page.press("Kit")
	page.says("Camera and lenses")
	page.press("Time")
	page.says("The board does not know the time.")
	page.press("Use this phone's clock")
	page.says("Pair this phone first.")
	code := issue(t, b.pairing, fiveMinutes())
	typed := func(code string) {
		page.eval(`document.getElementById("pairing-code").value = "` + code + `"`)
		page.press("Pair")
	}
	typed(wrong(code))
	page.says("That did not work: this is not the code")
	typed(code[:4] + " " + code[4:])
	waitFor(t, "the form to go", func() bool { return page.eval(`document.getElementById("pairing").hidden`) == "true" })
	page.press("Use this phone's clock")
	page.says("The board took this phone's time.")
	b.controls.mu.Lock()
	defer b.controls.mu.Unlock()
	if d := time.Since(b.controls.clock).Abs(); d > 5*time.Second || b.controls.sigmaS != 2 {
		t.Errorf("the board was told %v ± %v s", b.controls.clock, b.controls.sigmaS)
	}
}

// TestPageSetsTheSite: in degrees, minutes and seconds, with a hint at what is
// wrong before anything is sent; the site is then offered again.
func TestPageSetsTheSite(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, nil)
	page.open(b.url + "/#code=" + issue(t, b.pairing, fiveMinutes()))
	page.says("This phone is paired.")
	page.press("Kit")
	page.says("Camera and lenses")
	page.press("Site")
	page.says("The board believes 51.9000°, 8.4000°, 110 m (from its settings).")
	page.fill("name", "Dry Lagoon")
	page.fill("lat", "31 66 S")
	page.fill("lon", "139°18'E")
	page.press("Use this site")
	page.says("Latitude: give −90 to 90 degrees")
	page.fill("lat", "31 36 0 S")
	page.press("Use this site")
	page.says("The board uses this site.")
	b.controls.mu.Lock()
	if s := b.controls.site; b.controls.name != "Dry Lagoon" || math.Abs(s.LatDeg+31.6) > 1e-9 || math.Abs(s.LonDeg-139.3) > 1e-9 || s.HeightM != 0 {
		t.Errorf("the board was told %q %+v", b.controls.name, s)
	}
	b.controls.mu.Unlock()
	page.fits("site")
	page.fill("lat", "")
	page.press("Dry Lagoon")
	if got := page.eval(`document.querySelector("[name=lat]").value`); got != "−31.60000" {
		t.Errorf("the saved site gives latitude %q", got)
	}
	page.quiet(b.url)
}
