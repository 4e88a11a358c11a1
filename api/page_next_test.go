package api

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"plumbstar/api/alarms"
	"plumbstar/daemon"
)

// tryable are alarms whose outcome the test decides.
type tryable struct {
	mu   sync.Mutex
	list []alarms.Status
}

func (f *tryable) List() []alarms.Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]alarms.Status{}, f.list...)
}

func (f *tryable) Try(name string) (alarms.Status, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.list {
		if s := &f.list[i]; s.Name == name && s.State != alarms.Off && s.State != alarms.Faulty {
			if name != "buzzer" {
				s.Queued++
			}
			return *s, nil
		}
	}
	return alarms.Status{}, &alarms.OffError{Name: name, Why: "no broker in [alarms.mqtt]"}
}

func (f *tryable) outcome(change func([]alarms.Status)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(f.list)
}

// openPaired opens a page that may change things.
func openPaired(t *testing.T, page *tab, b *board) {
	t.Helper()
	page.open(b.url)
	page.eval(fmt.Sprintf(`document.cookie = "%s=%s"`, cookieName, b.token(t, RoleWrite)))
	page.open("about:blank")
	page.open(b.url)
}

// TestPageTriesEachAlarm: each way can be tried by itself, and the page tells what
// came of it; what is not set up is not offered.
func TestPageTriesEachAlarm(t *testing.T) {
	page := openTab(t, 320, 568)
	f := &tryable{list: []alarms.Status{
		{Name: "webhook", State: alarms.Ready, Target: "http://tracker.local", Sent: 2},
		{Name: "mqtt", State: alarms.Ready, Target: "mqtt://tracker.local:1883", Connected: true},
		{Name: "buzzer", State: alarms.Ready, Target: "GPIO18", Connected: true},
	}}
	b := start(t, func(o *Options) { o.Alarms, o.Board, o.Watch = f, newFakeBoard(), newFakeWatcher() })
	b.source.publish(scene("north", 2, 51.52, 358.81))
	openPaired(t, page, b)
	page.press("Night")
	page.says("Alarms that leave the board")
	page.press("Try: Webhook")
	waitFor(t, "the try", func() bool { return f.List()[0].Queued == 1 })
	page.says("Sent. Waiting for the receipt")
	page.eval(`document.querySelector(".carriers").scrollIntoView()`)
	page.night("carriers")
	page.fits("carriers")
	page.accessible("carriers")
	f.outcome(func(l []alarms.Status) { l[0].Sent++; l[0].Queued = 0 })
	page.says("Arrived, ")
	page.press("Try: MQTT")
	waitFor(t, "the try", func() bool { return f.List()[1].Queued == 1 })
	f.outcome(func(l []alarms.Status) {
		l[1].State, l[1].Failed, l[1].Why = alarms.Retrying, 1, "the last attempt failed: no receipt in time"
	})
	page.says("MQTT: does not get through")
	page.says("Did not arrive, ")
	page.says("no receipt in time")
	page.press("Try: Buzzer or light")
	page.says("It sounds now: each pattern once.")
	f.outcome(func(l []alarms.Status) { l[1] = alarms.Status{Name: "mqtt", State: alarms.Off} })
	page.press("Try: Webhook")
	page.says("Not set up: MQTT.")
	if text := page.text(); strings.Contains(text, "Try: MQTT") {
		t.Errorf("what is off is offered: %s", text)
	}
}

// TestPageListsSecondSensors: calibrations of second sensors are listed where such
// sensors are fitted, and compasses only where there is one.
func TestPageListsSecondSensors(t *testing.T) {
	page := openTab(t, 360, 740)
	for name, x := range map[string]struct {
		sensors []string
		has     []string
		hasNot  []string
	}{
		"one of each": {[]string{"inertial", "magnetic"}, []string{"Accelerometer not done", "Compass not done"}, []string{"Second "}},
		"two of each": {[]string{"inertial", "magnetic", "inertial2", "magnetic2"}, []string{"Second accelerometer not done", "Second compass not done", "not yet: Accelerometer, Second accelerometer, Compass, Second compass"}, nil},
		"no compass":  {[]string{"inertial"}, []string{"Accelerometer not done"}, []string{"Compass not done", "Turn check not done"}},
	} {
		b := start(t, func(o *Options) { o.Board = newFakeBoard() })
		s := scene("north", 2, 51.52, 358.81)
		s.Sensors = nil
		for _, n := range x.sensors {
			s.Sensors = append(s.Sensors, daemon.SensorStatus{Name: n, Device: "chip", State: "ok", RateHz: 100})
		}
		b.source.publish(s)
		page.open(b.url)
		page.press("Kit")
		page.press("Calibration")
		for _, w := range x.has {
			page.says(w)
		}
		text := page.text()
		for _, w := range x.hasNot {
			if strings.Contains(text, w) {
				t.Errorf("%s: the page lists %q: %s", name, w, text)
			}
		}
	}
}

// TestPageSaysWhatIsNext: before the first turn, when the sensors can tell no more,
// when the direction is too vague, and when only the watch is left.
func TestPageSaysWhatIsNext(t *testing.T) {
	page := openTab(t, 360, 740)
	w := newFakeWatcher()
	w.status = daemon.WatchStatus{} // not armed
	b := start(t, func(o *Options) { o.Board, o.Watch = newFakeBoard(), w })
	seq := uint64(2)
	show := func(name string, alt, az float64, change func(*daemon.Snapshot)) {
		s := scene(name, seq, alt, az)
		if change != nil {
			change(s)
		}
		seq++
		b.source.publish(s)
	}
	show("north", 45, 350, nil)
	page.open(b.url)
	page.says("Legs firm and level?")
	show("north", 51.91, 0.1, nil)
	page.says("The sensors can tell no better.")
	page.says("Next: Star")
	page.fits("next")
	page.accessible("next")
	show("north", 51.91, 0.1, func(s *daemon.Snapshot) {
		s.Estimate.Altitude.Source, s.Estimate.Azimuth.Source = "stars", "stars"
	})
	page.says("Arm the watch, then touch nothing any more.")
	show("north", 51.91, 2, func(s *daemon.Snapshot) { s.Estimate.Azimuth.SigmaDeg = 20 })
	page.says("The direction is too unsure")
	page.press("Next: Calibration")
	page.says("Begin: Turn check")
}
