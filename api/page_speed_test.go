package api

import (
	"fmt"
	"testing"
	"time"
)

// The tests of this file run with -chromium PATH.

// TestPageIsQuick: on a phone four times slower than this machine and with a
// mobile network's delay the first sentence stands in less than a second; ten
// states a second then cost little. Delay and rate are those that Chromium's own
// Lighthouse calls a slow mobile network.
func TestPageIsQuick(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	page.call("Emulation.setCPUThrottlingRate", map[string]any{"rate": 4}, nil)
	page.call("Network.emulateNetworkConditions", map[string]any{"offline": false, "latency": 150, "downloadThroughput": 1.6e6 / 8, "uploadThroughput": 750e3 / 8}, nil)
	page.atStart(`(() => {
  const look = new MutationObserver(() => {
    if (document.querySelector("#move-altitude .amount")?.textContent) {
      globalThis.firstMs = performance.now();
      look.disconnect();
    }
  });
  look.observe(document, { childList: true, subtree: true, characterData: true });
})()`)
	best := time.Hour
	for range 5 { // the best one: other programs run here too
		page.call("Network.clearBrowserCache", nil, nil)
		page.open("about:blank")
		page.open(b.url)
		page.says("Raise 0.4°")
		first := time.Duration(page.numbers("[firstMs]")[0] * float64(time.Millisecond))
		best = min(best, first)
		page.says("Kit")
	}
	t.Logf("first guidance after %v", best.Round(time.Millisecond))
	if best > time.Second {
		t.Errorf("first guidance after %v, want 1 s", best)
	}
	page.call("Network.emulateNetworkConditions", map[string]any{"offline": false, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}, nil)
	page.call("Emulation.setCPUThrottlingRate", map[string]any{"rate": 1}, nil)
	page.says("Knobs of the simulated mount")
	busy := func() float64 {
		var m struct {
			Metrics []struct {
				Name  string
				Value float64
			}
		}
		page.call("Performance.getMetrics", nil, &m)
		for _, x := range m.Metrics {
			if x.Name == "TaskDuration" {
				return x.Value
			}
		}
		t.Fatal("no TaskDuration")
		return 0
	}
	page.call("Performance.enable", nil, nil)
	const states = 40
	share := 1.0
	for round := range 3 {
		before, at := busy(), time.Now()
		for i := range states {
			// A hand that turns: every number changes each time.
			b.source.publish(scene("north", uint64(3+states*round+i), 51.52-0.013*float64(i), 358.81+0.017*float64(i)))
			time.Sleep(100 * time.Millisecond)
		}
		took := time.Since(at).Seconds()
		share = min(share, (busy()-before)/took)
		t.Logf("%.1f states a second cost %.1f %% of a core here", states/took, share*100)
	}
	if share > 0.05 {
		t.Errorf("the page uses %.1f %% of a core, want 5 %%", share*100)
	}
}

// TestPageNeverFlashes: while it loads, reloads and changes places, no picture of
// the screen is brighter than the night's palette.
func TestPageNeverFlashes(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, nil)
	page.open(b.url)
	page.says("Knobs of the simulated mount")
	page.call("Emulation.setCPUThrottlingRate", map[string]any{"rate": 4}, nil)
	page.call("Page.startScreencast", map[string]any{"format": "png", "everyNthFrame": 1}, nil)
	page.call("Network.clearBrowserCache", nil, nil)
	page.call("Page.reload", map[string]any{"ignoreCache": true}, nil)
	page.says("Raise 0.4°")
	for _, place := range []string{"Star", "Night", "Kit", "Health", "Aim"} {
		page.press(place)
		time.Sleep(200 * time.Millisecond)
	}
	page.eval(`document.getElementById("look-open").click()`)
	page.says("Screen and sound")
	page.call("Page.stopScreencast", nil, nil)
	for i, img := range page.frames {
		redPixels(t, fmt.Sprintf("frame %d of %d", i+1, len(page.frames)), img)
	}
	t.Logf("%d frames", len(page.frames))
	if len(page.frames) < 8 {
		t.Errorf("only %d frames", len(page.frames))
	}
}

// TestPageSounds: the voice says the sentence, the tone plays, the alarm can be
// tried, and silence is silence.
func TestPageSounds(t *testing.T) {
	page := openTab(t, 360, 740)
	page.atStart(`
globalThis.spoken = [];
globalThis.tones = [];
SpeechSynthesis.prototype.speak = function (u) { spoken.push(u.lang + " " + u.text) };
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (at) { tones.push(this.frequency.value); return start.call(this, at) };`)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	page.open(b.url)
	page.says("Knobs of the simulated mount")
	page.eval(`document.getElementById("look-open").click()`)
	page.press("voice")
	b.source.publish(scene("north", 2, 51.52, 358.81))
	waitFor(t, "the voice", func() bool { return page.eval("spoken[0] ?? ''") == "en Raise 0.4 degrees; Turn east 1.2 degrees" })
	page.press("tone")
	seq := uint64(3)
	tone := func(alt, az float64) float64 {
		page.eval("tones.length = 0")
		b.source.publish(scene("north", seq, alt, az))
		seq++
		waitFor(t, "the tone", func() bool { return page.eval("tones.length > 2") == "true" })
		return page.numbers("[tones.at(-1)]")[0]
	}
	far, near := tone(45, 350), tone(51.5, 359.5)
	if !(far < near) {
		t.Errorf("the tone does not rise: %.0f Hz far, %.0f Hz near", far, near)
	}
	page.press("off")
	page.eval("tones.length = 0; spoken.length = 0")
	b.source.publish(scene("north", seq, 50, 350))
	time.Sleep(1200 * time.Millisecond)
	if n := page.eval("tones.length + spoken.length"); n != "0" {
		t.Errorf("%s sounds while off", n)
	}
	page.press("Try the alarm of this phone")
	waitFor(t, "the alarm", func() bool { return page.eval("tones.length === 6 && spoken.length === 1") == "true" })
	page.quiet(b.url)
}

// TestPageSpeaksGerman, all of it, and keeps that, with the chosen size and dim.
func TestPageSpeaksGerman(t *testing.T) {
	page := openTab(t, 360, 740)
	b := start(t, nil)
	page.open(b.url)
	page.says("Knobs of the simulated mount")
	page.eval(`document.getElementById("look-open").click()`)
	page.press("huge")
	page.eval(`(() => { const d = document.getElementById("dim"); d.value = 80; d.dispatchEvent(new Event("input")) })()`)
	page.press("Deutsch")
	page.says("Höher 0,4°")
	page.says("Schrauben der simulierten Montierung")
	if got := page.eval(`document.documentElement.lang + getComputedStyle(document.querySelector(".veil")).opacity + getComputedStyle(document.documentElement).fontSize`); got != "de0.825.6px" {
		t.Errorf("kept: %s", got)
	}
	for _, width := range []int{320, 360, 740} {
		page.size(width, 1060-width)
		page.fits("huge German")
		img := page.picture("huge-german-" + page.eval("innerWidth"))
		for y := img.Bounds().Min.Y; y < img.Bounds().Max.Y; y++ {
			for x := img.Bounds().Min.X; x < img.Bounds().Max.X; x++ {
				if r, g, bl, _ := img.At(x, y).RGBA(); r>>8 > 0x32 || g+bl > 0 {
					t.Fatalf("dimmed by 80 %%, the pixel at %d,%d has red %02x", x, y, r>>8)
				}
			}
		}
	}
	page.eval(`(() => { const d = document.getElementById("dim"); document.getElementById("look-open").click(); })()`)
	page.accessible("German")
	page.quiet(b.url)
}
