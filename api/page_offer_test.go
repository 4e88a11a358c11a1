package api

import (
	"fmt"
	"testing"

	"plumbstar/daemon"
)

// TestPageOffersWhatNightsTeach: the offer says its evidence, and is used when it
// is asked for.
func TestPageOffersWhatNightsTeach(t *testing.T) {
	page := openTab(t, 360, 740)
	f := newFakeBoard()
	f.offer = daemon.TemperatureOffer{State: daemon.OfferOpen, Record: &daemon.CalibrationRecord{
		Part: daemon.PartTemperature, Method: daemon.CalibrationNights, Board: "LSM6DSO", SigmaDeg: 0.01,
		Figures: []daemon.Figure{{Name: "nights", Value: 6}, {Name: "held_back_before_deg", Value: 0.0153}, {Name: "held_back_after_deg", Value: 0.0014}},
	}}
	b := start(t, func(o *Options) { o.Board = f })
	b.source.publish(scene("north", 2, 51.52, 358.81))
	page.open(b.url)
	page.eval(fmt.Sprintf(`document.cookie = "%s=%s"`, cookieName, b.token(t, RoleWrite)))
	page.open("about:blank")
	page.open(b.url)
	page.press("Kit")
	page.press("Calibration")
	page.says("6 nights show how the sensor drifts")
	page.says("by 0.001° instead of 0.015°")
	page.fits("offer")
	page.night("offer")
	page.accessible("offer")
	page.press("Use this from now on")
	waitLong(t, "the offer in use", func() bool { return f.TemperatureOffer().State == daemon.OfferInUse })
	waitLong(t, "no more offer", func() bool {
		return page.eval(`[...document.querySelectorAll("button")].some((b) => b.textContent === "Use this from now on")`) == "false"
	})
}
