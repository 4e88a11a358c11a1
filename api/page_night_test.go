package api

import (
	"fmt"
	"net/http"
	"testing"
	"time"
)

// TestPageWatches: the watch is armed on the page, the simulated tripod is kicked,
// and the page says what it cost, loudly, over every place; afterwards the night is
// there with charts and report.
func TestPageWatches(t *testing.T) {
	page := openTab(t, 360, 740)
	page.atStart(countNotes)
	origin, url := demo(t)
	page.open(url)
	page.says("This phone is paired.")
	page.says("Turn")
	turnKnobs(page, steadyMove(t, origin))
	waitLong(t, "rest after the turn", func() bool {
		g := get[Guidance](t, origin+"/api/v1/guidance")
		return g.State == "steady" && g.Error.Value < 2
	})
	page.press("Night")
	page.says("arm the watch")
	page.press("I am aligned: arm the watch")
	page.says("Armed. Step back from the tripod.")
	waitLong(t, "the watch to have its pose", func() bool { return get[Watch](t, origin+"/api/v1/watch").State == "watching" })
	page.says("Watching")
	page.press("Try all alarms")
	page.says("This is a trial of the alarm")
	page.night("watch-trial")
	page.press("Aim")

	kicked := time.Now()
	if status := page.eval(`fetch("/api/v1/simulated-knock", { method: "POST", headers: { "Content-Type": "application/json" }, body: '{"up_deg":0.12}' }).then((r) => r.status)`); status != "204" {
		t.Fatalf("kick: status %s", status)
	}
	page.says("The axis move")
	t.Logf("the page said so %.1f s after the kick", time.Since(kicked).Seconds())
	if notes := page.eval("notes.length"); notes == "0" {
		t.Error("the alarm made no sound")
	}
	for _, size := range [][2]int{{360, 740}, {740, 360}, {320, 568}} {
		page.size(size[0], size[1])
		page.night(fmt.Sprintf("alarm-%d", size[0]))
		page.fits("alarm")
	}
	page.size(360, 740)
	page.accessible("alarm")
	page.press("Star")
	page.says("I know")         // it stands over every place
	page.says("The axis moved") // the last report; one after the acknowledgement would be news
	page.press("I know")
	waitLong(t, "the alarm to be acknowledged", func() bool { return page.eval(`document.getElementById("alarm").hidden`) == "true" })
	if n := len(get[Watch](t, origin+"/api/v1/watch").Findings); n != 0 {
		t.Errorf("%d findings left after they were acknowledged", n)
	}

	page.press("Night")
	page.says("What happened")
	waitLong(t, "the charts", func() bool { return page.eval(`document.querySelectorAll(".charts canvas").length`) >= "4" })
	page.eval(`document.getElementById("nights-box").scrollIntoView()`)
	page.night("night-charts")
	page.eval(`document.querySelector(".charts").lastElementChild.scrollIntoView()`)
	page.night("night-charts-2")
	page.fits("night charts")
	page.accessible("night charts")
	page.press("Name and note")
	page.fill("name", "First light")
	page.eval(`document.querySelector("#nights-box form button").click()`)
	page.says("Saved on the board.")
	if n := get[struct{ Nights []struct{ Name string } }](t, origin+"/api/v1/nights"); len(n.Nights) == 0 || n.Nights[0].Name != "First light" {
		t.Errorf("nights: %+v", n)
	}
	r, err := http.Get(origin + "/api/v1/nights/last/report?lang=en")
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("report: %v %v", r, err)
	}
	r.Body.Close()
	page.press("Disarm the watch")
	page.says("Disarmed.")
	page.quiet(origin)
}

// countNotes counts the notes that the page plays.
const countNotes = `globalThis.notes = []; const start = OscillatorNode.prototype.start; OscillatorNode.prototype.start = function (...a) { notes.push(this.frequency.value); return start.apply(this, a) };`

// TestPageTakesReadings: drift readings of the camera, typed in.
func TestPageTakesReadings(t *testing.T) {
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
	page.press("Kit")
	page.press("Readings of the camera")
	page.press("Add this reading")
	page.says("give a number")
	// An axis 30′ too high: on the meridian a star drifts in right ascension alone,
	// six hours to the west by 30′ times the turn of the night sky in a minute.
	for _, at := range [][3]string{{"0", "10", "0"}, {"90", "10", "7.9"}} {
		page.fill("hour_angle", at[0])
		page.fill("declination", at[1])
		page.fill("north", at[2])
		page.fill("north_sigma", "0.2")
		page.press("Add this reading")
	}
	page.says("2 not used yet")
	page.night("readings")
	page.fits("readings")
	page.accessible("readings")
	page.press("Use these readings")
	page.says("of the aim. The guidance rests on it now.")
	waitLong(t, "the guidance to rest on them", func() bool { return get[Guidance](t, origin+"/api/v1/guidance").Reliance.Azimuth == "stars" })
	page.press("Adjusters")
	page.says("not learned")
	page.fits("adjusters")
	page.night("adjusters")
	page.quiet(origin)
}
