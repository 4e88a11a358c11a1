package api

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The tests of this file run with -chromium PATH, against the whole program.

// demo runs `plumbstar demo --hands page` until the test ends; url has the code
// that pairs.
func demo(t *testing.T, more ...string) (origin, url string) {
	t.Helper()
	if *chromium == "" {
		t.Skip("give -chromium PATH to look at the page in a browser")
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "plumbstar")
	if out, err := exec.Command("go", "build", "-o", path, "../cmd/plumbstar").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	c := exec.Command(path, append([]string{"demo", "--hands", "page", "--for", "1h", "--listen", "127.0.0.1:0"}, more...)...)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGTERM)
		_ = c.Wait() // however it ends
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if _, at, ok := strings.Cut(lines.Text(), "page and API: "); ok {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			origin, _, _ := strings.Cut(at, "/#")
			return origin, at
		}
	}
	t.Fatalf("the demo gives no address: %v", lines.Err())
	return "", ""
}

func get[T any](t *testing.T, url string) (v T) {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&v); err != nil || resp.StatusCode != 200 {
		t.Fatalf("%s: %s %v", url, resp.Status, err)
	}
	return v
}

// TestPagePlaces: every place at phone size, upright and lying, in both
// hemispheres and both themes.
func TestPagePlaces(t *testing.T) {
	page := openTab(t, 360, 740)
	for _, site := range []string{"larkmoor", "dry-lagoon"} {
		origin, url := demo(t, "--site", site)
		page.open("about:blank")
		page.asked = nil
		page.open(url)
		page.says("This phone is paired.")
		for _, theme := range []string{"night", "day"} {
			page.eval(`document.getElementById("look").hidden && document.getElementById("look-open").click()`)
			page.press(map[string]string{"night": "Night: red", "day": "Day: black on white"}[theme])
			page.fits("look")
			page.accessible("look " + theme)
			if theme == "night" {
				page.night("look-" + site)
			}
			page.eval(`document.getElementById("look-open").click()`)
			for _, place := range []string{"Aim", "Star", "Night", "Kit"} {
				page.press(place)
				page.says(map[string]string{"Aim": "How sure is this?", "Star": "The pole star in the finder", "Night": "Nights before", "Kit": "Camera and lenses"}[place])
				if place == "Kit" {
					page.eval(`for (const d of document.querySelectorAll("details")) d.open = true; scrollTo(0, 0)`)
				}
				time.Sleep(300 * time.Millisecond)
				for _, size := range [][2]int{{360, 740}, {740, 360}, {320, 568}} {
					page.size(size[0], size[1])
					name := fmt.Sprintf("%s-%s-%s-%d", strings.ToLower(place), site, theme, size[0])
					page.fits(name)
					if theme == "night" {
						page.night(name)
					} else {
						page.picture(name)
					}
				}
				page.size(360, 740)
				page.accessible(place + " " + theme)
			}
		}
		page.quiet(origin)
	}
}

// TestPageReachesThePole: a person who only does what the page says gets there.
func TestPageReachesThePole(t *testing.T) {
	page := openTab(t, 360, 740)
	for _, site := range []string{"larkmoor", "dry-lagoon"} {
		origin, url := demo(t, "--site", site)
		page.open("about:blank")
		page.asked = nil
		page.open(url)
		page.says("This phone is paired.")
		page.says("Knobs of the simulated mount")
		done := false
		for end := time.Now().Add(90 * time.Second); time.Now().Before(end) && !done; {
			said := page.eval(`[...document.querySelectorAll(".move")].map((m) => m.className + "|" + m.querySelector(".amount").textContent).join(";")`)
			done = strings.Count(said, "move done") == 2
			moved := false
			for i, part := range strings.Split(said, ";") {
				class, amount, _ := strings.Cut(part, "|")
				var deg float64
				if _, err := fmt.Sscanf(amount, "%f°", &deg); err != nil {
					continue
				}
				// The four buttons of a row: down or left by 1° and 0.1°, up or right by 0.1° and 1°.
				button := map[bool]int{true: 1, false: 0}[deg < 1]
				if strings.Contains(class, "up") || strings.Contains(class, "right") {
					button = 3 - button
				}
				page.eval(fmt.Sprintf(`document.querySelectorAll(".knob")[%d].querySelectorAll("button")[%d].click()`, i, button))
				moved = true
			}
			if moved {
				time.Sleep(900 * time.Millisecond) // the hand's time for a degree
			}
			time.Sleep(300 * time.Millisecond)
		}
		g := get[Guidance](t, origin+"/api/v1/guidance")
		t.Logf("%s: %.2f° ± %.2f° from the pole", site, g.Error.Value, g.ErrorSigma.Value)
		if !done || !g.Error.Known || g.Error.Value > 3*g.ErrorSigma.Value+0.1 {
			t.Errorf("%s: not there: %s", site, page.text())
		}
		page.picture("reached-" + site)
		page.quiet(origin)
	}
}

// TestPageLosesAndRegainsASensor: the compass goes, with a word on what to do,
// and comes back by itself.
func TestPageLosesAndRegainsASensor(t *testing.T) {
	page := openTab(t, 360, 740)
	origin, url := demo(t, "--fault", "magnetometer@6s-16s")
	page.open(url)
	page.says("give or take")
	page.says("does not answer")
	page.night("sensor-lost")
	page.press("Kit")
	page.says("Camera and lenses")
	page.press("Health")
	page.says("Magnetometer: does not answer")
	page.night("health-lost")
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end) && !strings.Contains(page.text(), "Magnetometer: answers"); {
		time.Sleep(200 * time.Millisecond)
	}
	page.says("Magnetometer: answers")
	page.quiet(origin)
}

// TestPageTakesASighting: the star is tapped where it shows in the finder, and the
// guidance rests on it from then on.
func TestPageTakesASighting(t *testing.T) {
	page := openTab(t, 360, 740)
	origin, url := demo(t)
	page.open(url)
	page.says("This phone is paired.")
	page.says("Turn")
	turnKnobs(page, steadyMove(t, origin))
	waitLong(t, "rest after the turn", func() bool {
		g := get[Guidance](t, origin+"/api/v1/guidance")
		return g.State == "steady" && g.Error.Value < 2
	})
	page.press("Star")
	page.says("Which way the star goes")
	p := get[PoleStar](t, origin+"/api/v1/polestar")
	g := get[Guidance](t, origin+"/api/v1/guidance")
	// Turning the axis to the aim would bring the star to its mark.
	x := p.Mark.XDeg - p.Knobs.Raise.XPerDeg*g.Move.Raise.Value - p.Knobs.TurnEast.XPerDeg*g.Move.TurnEast.Value
	y := p.Mark.YDeg - p.Knobs.Raise.YPerDeg*g.Move.Raise.Value - p.Knobs.TurnEast.YPerDeg*g.Move.TurnEast.Value
	rim := page.numbers(`(() => { const r = document.querySelector(".finder .rim").getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2, r.width / 2] })()`)
	k := rim[2] / (p.Finder.Field / 2)
	for _, kind := range []string{"mousePressed", "mouseReleased"} {
		page.call("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": rim[0] + k*x, "y": rim[1] - k*y, "button": "left", "clickCount": 1}, nil)
	}
	page.press("Which star is it?")
	waitLong(t, "an answer", func() bool { return page.eval(`document.querySelector("#place-star div.answer").textContent`) != "" })
	page.night("which-star")
	page.press("The star is here")
	page.says("Taken: the guidance now rests on the star.")
	waitLong(t, "the guidance to rest on it", func() bool {
		r := get[Guidance](t, origin+"/api/v1/guidance").Reliance
		return r.Azimuth == "stars" && r.Altitude == "stars"
	})
	page.press("Aim")
	page.says("from the stars")
	after := get[Guidance](t, origin+"/api/v1/guidance")
	t.Logf("azimuth ± %.2f° before, ± %.2f° after", g.Axis.AzimuthSigma.Value, after.Axis.AzimuthSigma.Value)
	if after.Axis.AzimuthSigma.Value > g.Axis.AzimuthSigma.Value/2 {
		t.Errorf("the sighting leaves azimuth ± %.2f°, it was ± %.2f°", after.Axis.AzimuthSigma.Value, g.Axis.AzimuthSigma.Value)
	}
	page.press("Kit")
	page.press("Sightings")
	page.says("Take all sightings back")
	page.night("sightings")
	page.fits("sightings")
	page.accessible("sightings")
	page.press("Take all sightings back")
	page.says("The sensors stand alone again.")
	page.quiet(origin)
}

// TestPageCalibrates: a turn check from begin to result, with the turn shown live,
// and a calibration that is cancelled.
func TestPageCalibrates(t *testing.T) {
	page := openTab(t, 360, 740)
	origin, url := demo(t)
	page.open(url)
	page.says("This phone is paired.")
	page.press("Kit")
	page.press("Calibration")
	page.press("Begin: Board in the hand")
	page.says("Rest poses:")
	page.night("calibrating-board")
	page.fits("calibrating")
	page.accessible("calibrating")
	page.press("Cancel")
	page.says("Cancelled; what was in use stays.")
	page.press("Begin: Turn check")
	page.says("Keep everything still for two seconds first.")
	page.says("Now turn")
	time.Sleep(time.Second) // nobody turns at that very moment
	for range 2 {
		page.eval(`fetch("/api/v1/simulated-knobs", { method: "POST", headers: { "Content-Type": "application/json" }, body: '{"azimuth_deg":30}' })`)
		time.Sleep(21 * time.Second)
	}
	page.night("calibrating-turn")
	if deg := page.eval(`document.querySelector(".dial text").textContent`); deg < "5" {
		t.Errorf("after 60° the dial shows %s", deg)
	}
	waitLong(t, "enough", func() bool { return page.eval(`document.querySelector("button.finish")?.disabled`) == "false" })
	time.Sleep(4 * time.Second) // the message asks for a rest before the end
	page.press("Finish")
	page.says("Turn check:")
	page.night("calibrated-turn")
	page.quiet(origin)
}

// turnKnobs makes a move of the guidance at once.
// steadyMove is the move of a guidance that rests: one in the first moments may
// lack a direction.
func steadyMove(t *testing.T, origin string) (m Move) {
	t.Helper()
	waitLong(t, "the first rest", func() bool {
		g := get[Guidance](t, origin+"/api/v1/guidance")
		m = g.Move
		return g.State == "steady"
	})
	return m
}

func turnKnobs(page *tab, m Move) {
	body := fmt.Sprintf(`{"altitude_deg":%.3f,"azimuth_deg":%.3f}`, m.Raise.Value, m.TurnEast.Value)
	page.eval(fmt.Sprintf(`fetch("/api/v1/simulated-knobs", { method: "POST", headers: { "Content-Type": "application/json" }, body: %q })`, body))
}

func waitLong(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(40 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if is() {
			return
		}
	}
	t.Fatalf("waited in vain for %s", what)
}
