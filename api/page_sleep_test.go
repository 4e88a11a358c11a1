package api

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// The tests of this file run with -chromium PATH.

// watchWords notes each sentence that can be seen, with the time, and each request
// for the screen to stay on.
const watchWords = `
globalThis.seen = [];
globalThis.locks = 0;
if (globalThis.WakeLock) WakeLock.prototype.request = async () => { locks++; return {} };
document.addEventListener("DOMContentLoaded", () => {
  const look = () => {
    const said = document.getElementById("sentence");
    if (!said) return;
    const shown = getComputedStyle(said).visibility === "visible" ? [...said.querySelectorAll(".amount")].map((x) => x.textContent).join(" ").trim() : "";
    if (seen.at(-1)?.text !== shown) seen.push({ at: Date.now(), text: shown });
  };
  new MutationObserver(look).observe(document.body, { attributes: true, childList: true, subtree: true, characterData: true });
});`

// seen is what the page showed since a moment, with what had stood there before it
// for longer than that.
func seen(t *testing.T, page *tab, since time.Time, bear time.Duration) []string {
	t.Helper()
	var list []struct {
		At   int64
		Text string
	}
	if err := json.Unmarshal([]byte(page.eval("JSON.stringify(seen)")), &list); err != nil {
		t.Fatal(err)
	}
	var out []string
	for i, s := range list {
		if s.At >= since.UnixMilli() || i+1 == len(list) || list[i+1].At > since.Add(bear).UnixMilli() {
			out = append(out, s.Text)
		}
	}
	return out
}

// TestPageWakesUp: after sleep the page shows either fresh guidance or that it has
// none; never a sentence from before, nor one that waited in a buffer.
func TestPageWakesUp(t *testing.T) {
	page := openTab(t, 360, 740)
	page.atStart(watchWords)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	page.open(b.url)
	page.says("Raise 0.4°")
	page.says("Knobs of the simulated mount") // all is loaded
	seq := uint64(2)
	raise := func(alt float64) {
		seq++
		b.source.publish(scene("north", seq, 51.92-alt, 358.81))
	}
	sleeps := []struct {
		name       string
		bear       time.Duration // how long what stood there may stay
		sleep, end func()
	}{
		{"frozen with a warning", 0, page.freeze, page.thaw},
		// No event tells the page, and the network goes on filling its buffer: the
		// picture stands until the page may act again.
		{"stopped without a warning", 500 * time.Millisecond, func() {
			page.call("Debugger.enable", nil, nil)
			page.call("Debugger.pause", nil, nil)
			time.Sleep(700 * time.Millisecond) // its timer runs into the pause
		}, func() {
			page.call("Debugger.disable", nil, nil)
		}},
	}
	for i, s := range sleeps {
		before := locksOf(page)
		old, late, fresh := 3.1+float64(i), 5.1+float64(i), 7.1+float64(i)
		raise(old)
		page.says("Raise " + number1(old))
		s.sleep()
		for range 4 {
			time.Sleep(time.Second)
			raise(late)
		}
		raise(fresh)
		// Nothing more comes from the board: only a new link can bring the newest.
		woken := time.Now()
		s.end()
		if d := page.says("Raise " + number1(fresh)); d > 4*time.Second {
			t.Errorf("%s: fresh guidance after %v", s.name, d)
		}
		for _, text := range seen(t, page, woken, s.bear) {
			if text != "" && !strings.Contains(text, number1(fresh)) {
				t.Errorf("%s: after waking the page showed %q, fresh is %s: %q", s.name, text, number1(fresh), seen(t, page, woken, s.bear))
			}
		}
		if i == 0 && locksOf(page) <= before {
			t.Errorf("%s: the screen is not asked to stay on again", s.name)
		}
		if n := b.hub.listeners.Load(); n > 2 {
			t.Errorf("%s: %d streams are open", s.name, n)
		}
	}
	page.quiet(b.url)
}

// TestPageWakesUpWithoutABoard: when the board is not there any more, the page says
// so at once, over every place and wherever it is scrolled to.
func TestPageWakesUpWithoutABoard(t *testing.T) {
	page := openTab(t, 360, 740)
	page.atStart(watchWords)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	way := newProxy(t, b.addr)
	page.open("http://" + way.addr)
	page.says("Raise 0.4°")
	page.says("Knobs of the simulated mount")
	page.press("Kit")
	page.says("Camera and lenses")
	page.eval(`for (const d of document.querySelectorAll("details")) d.open = true; scrollTo(0, 900)`)
	page.freeze()
	way.freeze(true) // the phone comes back out of reach
	time.Sleep(4 * time.Second)
	page.thaw()
	if d := page.says("The link to the board is lost."); d > time.Second {
		t.Errorf("the page says that the link is lost after %v", d)
	}
	if at := page.numbers(`(() => { const r = document.getElementById("link-lost").getBoundingClientRect(); return [r.top, r.bottom] })()`); at[0] < 0 || at[1] > 740 {
		t.Errorf("the warning stands at %v, out of sight", at)
	}
	page.night("woken-without-board")
	page.press("Aim")
	page.says("Altitude not known")
	way.freeze(false)
	b.source.publish(scene("north", 3, 49, 358.81))
	page.says("Raise 2.9°")
	// The same for a phone that loses its network while it is awake.
	page.call("Network.emulateNetworkConditions", map[string]any{"offline": true, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}, nil)
	if d := page.says("The link to the board is lost."); d > 4*time.Second {
		t.Errorf("offline: said after %v", d)
	}
	page.call("Network.emulateNetworkConditions", map[string]any{"offline": false, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}, nil)
	if d := page.says("Raise 2.9°"); d > 4*time.Second {
		t.Errorf("online again: guidance after %v", d)
	}
}

// TestPageComesBackIntoView: a page that nobody saw shows no number before the next
// state, and asks again for the screen to stay on.
func TestPageComesBackIntoView(t *testing.T) {
	page := openTab(t, 360, 740)
	page.atStart(watchWords + `
globalThis.away = false;
Object.defineProperty(document, "hidden", { get: () => away });
Object.defineProperty(document, "visibilityState", { get: () => (away ? "hidden" : "visible") });
globalThis.show = (yes) => { away = !yes; document.dispatchEvent(new Event("visibilitychange")) };`)
	b := start(t, func(o *Options) { o.EventInterval = time.Millisecond })
	page.open(b.url)
	page.says("Raise 0.4°")
	page.says("Knobs of the simulated mount")
	waitFor(t, "the first request for the screen", func() bool { return locksOf(page) == 1 })
	covered := func() string { return page.eval(`getComputedStyle(document.getElementById("sentence")).visibility`) }
	page.eval("show(false)")
	if covered() != "hidden" {
		t.Error("numbers stay on a page that nobody sees")
	}
	page.eval("show(true)")
	waitFor(t, "the second request for the screen", func() bool { return locksOf(page) == 2 })
	b.source.publish(scene("north", 3, 50.02, 358.81))
	page.says("Raise 1.9°")
	if covered() != "visible" {
		t.Error("the page stays covered")
	}
}

// freeze puts the page to sleep as a phone does that warns it: hidden, then frozen.
func (b *tab) freeze() {
	b.t.Helper()
	b.call("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": false}, nil)
	b.call("Page.setWebLifecycleState", map[string]any{"state": "frozen"}, nil)
}

// thaw wakes it, and brings it into view, which the first alone does not.
func (b *tab) thaw() {
	b.t.Helper()
	b.call("Page.setWebLifecycleState", map[string]any{"state": "active"}, nil)
	b.call("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true}, nil)
}

func locksOf(page *tab) int { return int(page.numbers("[locks]")[0]) }

func number1(deg float64) string { return fmt.Sprintf("%.1f°", deg) }
