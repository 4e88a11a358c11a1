package daemon

import (
	"errors"
	"math"
	"testing"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
)

var larkmoor = astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 130}

// sensorless is a daemon whose sensors never answer: place and time work all
// the same.
func sensorless(t *testing.T, change func(*Options)) (*Daemon, *scenario.Clock) {
	t.Helper()
	clock := scenario.NewClock()
	o := Options{
		Clock: clock, UTC: func(now time.Duration) time.Time { return dusk.Add(now) }, ClockSource: ClockSystem, ClockSigmaS: -1, NotBefore: built,
		Inertial: &Inertial{Mount: Straight(), Correct: Correction{TempC: math.NaN()},
			Open: func() (sensors.Inertial, error) { return nil, errors.New("no bus") }},
		MountSigmaDeg: 0.2, LocalFieldUT: 0.7, AimKind: "refracted", Air: astro.StandardAir(0), Model: geomag.WMM2025(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
	}
	if change != nil {
		change(&o)
	}
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return d, clock
}

func glance(d *Daemon, clock *scenario.Clock) *Snapshot {
	clock.Sleep(100 * time.Millisecond)
	d.tick(clock.Now(), 0)
	return d.Latest()
}

func at(lat, lon float64) Position {
	return Position{Site: astro.Site{LatDeg: lat, LonDeg: lon, HeightM: 130}, HeightKnown: true, HorizontalSigmaM: 5}
}

func note(t *testing.T, d *Daemon, p Position) {
	t.Helper()
	if err := d.NotePosition(p); err != nil {
		t.Fatal(err)
	}
}

func TestReceiverGivesTheSite(t *testing.T) {
	d, clock := sensorless(t, nil)
	if s := glance(d, clock); s.Site.Known || s.Guidance.Aim != nil || codesOf(s.Warnings) != "site-not-known clock-unsure" {
		t.Errorf("%+v %s", s.Site, codesOf(s.Warnings))
	}
	note(t, d, at(51.9, 8.4))
	s := glance(d, clock)
	if s.Site != (SiteStatus{Known: true, Site: larkmoor, Source: SiteGNSS, SigmaM: 5}) || d.place.aim == nil || s.Field == nil {
		t.Errorf("%+v", s.Site)
	}
	// Small changes of the average leave the site alone, but sharpen its sigma.
	p := at(51.9004, 8.4002) // 46 m
	p.HorizontalSigmaM = 3
	note(t, d, p)
	if s = glance(d, clock); s.Site.Site != larkmoor || s.Site.SigmaM != 3 {
		t.Errorf("%+v", s.Site)
	}
	// Carried to the next hill.
	note(t, d, at(51.92, 8.4))
	if s = glance(d, clock); s.Site.Site.LatDeg != 51.92 {
		t.Errorf("%+v", s.Site)
	}
	// A fix without height keeps the one that is known.
	p = at(51.95, 8.4)
	p.Site.HeightM, p.HeightKnown = 0, false
	note(t, d, p)
	if s = glance(d, clock); s.Site.Site != (astro.Site{LatDeg: 51.95, LonDeg: 8.4, HeightM: 130}) {
		t.Errorf("%+v", s.Site)
	}
	// Only the height was wrong.
	p = at(51.95, 8.4)
	p.Site.HeightM = 1200
	note(t, d, p)
	if s = glance(d, clock); s.Site.Site.HeightM != 1200 {
		t.Errorf("%+v", s.Site)
	}
	for _, bad := range []Position{{Site: astro.Site{LatDeg: 91}, HorizontalSigmaM: 5}, {Site: larkmoor}, {Site: larkmoor, HorizontalSigmaM: math.NaN()}, {Site: larkmoor, HorizontalSigmaM: math.Inf(1)}} {
		if d.NotePosition(bad) == nil {
			t.Errorf("%+v passed", bad)
		}
	}
}

func TestSettingsGiveWayAndEntriesStay(t *testing.T) {
	home := astro.Site{LatDeg: 50, LonDeg: 7, HeightM: 60}
	d, clock := sensorless(t, func(o *Options) { o.Site, o.SiteName, o.SiteSource = &home, "home", SiteSettings })
	vague := at(51.9, 8.4)
	vague.HorizontalSigmaM = 20000
	note(t, d, vague)
	if s := glance(d, clock); s.Site.Site != home {
		t.Errorf("a vague fix moved the site: %+v", s.Site)
	}
	note(t, d, at(51.9, 8.4))
	if s := glance(d, clock); s.Site.Source != SiteGNSS || s.Site.Site != larkmoor || s.Site.Name != "" {
		t.Errorf("%+v", s.Site)
	}
	// The name of the settings stays at its place.
	d, clock = sensorless(t, func(o *Options) { o.Site, o.SiteName, o.SiteSource = &larkmoor, "Larkmoor", SiteSettings })
	note(t, d, at(51.9003, 8.4003))
	if s := glance(d, clock); s.Site.Source != SiteGNSS || s.Site.Name != "Larkmoor" {
		t.Errorf("%+v", s.Site)
	}
	// Somebody enters another site: it stays, with a warning, until it is mended.
	if err := d.SetSite("wish", astro.Site{LatDeg: 52.9, LonDeg: 8.4}, SiteEntered); err != nil {
		t.Fatal(err)
	}
	note(t, d, at(51.9, 8.4))
	if s := glance(d, clock); s.Site.Name != "wish" || codesOf(s.Warnings) != "clock-unsure site-disagrees" {
		t.Errorf("%+v %+v", s.Site, s.Warnings)
	}
	if err := d.SetSite("Larkmoor", larkmoor, SiteEntered); err != nil {
		t.Fatal(err)
	}
	note(t, d, at(51.9003, 8.4))
	if s := glance(d, clock); s.Site.Source != SiteEntered || codesOf(s.Warnings) != "clock-unsure" {
		t.Errorf("%+v %+v", s.Site, s.Warnings)
	}
}

func TestMagvarIsACrossCheck(t *testing.T) {
	d, clock := sensorless(t, func(o *Options) { o.Site, o.SiteSource = &larkmoor, SiteSettings })
	decl := glance(d, clock).Field.DeclinationDeg
	for _, c := range []struct {
		magvar float64
		codes  string
	}{
		{decl, "clock-unsure"},
		{decl - 2, "clock-unsure"}, // an old table
		{-decl - 5, "clock-unsure declination-disagrees"},
		{170, "clock-unsure declination-disagrees"},
		{math.NaN(), "clock-unsure"},
		{999, "clock-unsure"},
	} {
		d.NoteMagvar(c.magvar)
		if s := glance(d, clock); codesOf(s.Warnings) != c.codes {
			t.Errorf("magvar %v against %v: %+v", c.magvar, decl, s.Warnings)
		}
	}
}

func TestClockOfTheDaemon(t *testing.T) {
	d, clock := sensorless(t, func(o *Options) { o.Site, o.SiteSource = &larkmoor, SiteSettings })
	s := glance(d, clock)
	unsure := s.Field.DeclinationSigmaDeg
	if s.Clock.Source != ClockSystem || s.Clock.SigmaS >= 0 || codesOf(s.Warnings) != "clock-unsure" {
		t.Errorf("%+v %+v", s.Clock, s.Warnings)
	}
	if err := d.SetClock(s.Time.Add(5*time.Second), ClockGNSS, 0.25); err != nil {
		t.Fatal(err)
	}
	s = glance(d, clock)
	if s.Clock.Source != ClockGNSS || !s.Time.Equal(dusk.Add(clock.Now()+5*time.Second)) || len(s.Warnings) != 0 || math.Abs(s.Clock.OffsetS-5) > 1e-9 {
		t.Errorf("%+v %+v", s.Clock, s.Warnings)
	}
	// A sure date makes the declination a little surer: by a year of its change.
	r, err := geomag.WMM2025().RatesAt(51.9, 8.4, 0.13, astro.DecimalYear(dusk))
	if err != nil {
		t.Fatal(err)
	}
	sure := s.Field.DeclinationSigmaDeg
	if want := math.Hypot(sure, r.DeclinationDegPerYear); math.Abs(unsure-want) > 1e-3 {
		t.Errorf("declination sigma %v unsure, %v sure, want %v", unsure, sure, want)
	}
	if err := d.NoteSystemClock(true, 0.01); err != nil {
		t.Fatal(err)
	}
	if s = glance(d, clock); codesOf(s.Warnings) != "clock-disagrees" {
		t.Errorf("%+v", s.Warnings)
	}
	for _, bad := range []struct {
		utc   time.Time
		sigma float64
	}{{dusk.Add(-365 * 24 * time.Hour), 1}, {dusk.Add(30 * 365 * 24 * time.Hour), 1}, {dusk, -1}, {dusk, math.NaN()}, {dusk, math.Inf(1)}} {
		if d.SetClock(bad.utc, ClockEntered, bad.sigma) == nil {
			t.Errorf("%v ± %v passed", bad.utc, bad.sigma)
		}
	}
	if d.NoteSystemClock(true, math.NaN()) == nil || d.NoteSystemClock(true, -1) == nil {
		t.Error("a bad sigma of the kernel passed")
	}
}

func TestReceiverIsPartOfTheHealth(t *testing.T) {
	d, clock := sensorless(t, nil)
	if n := len(glance(d, clock).Sensors); n != 1 {
		t.Fatalf("%d sensors", n)
	}
	status := SensorStatus{Name: "gnss", Device: "/dev/ttyX", State: "lost", AgeS: -1, TempC: math.NaN()}
	said := []estimator.Warning{{Code: "gnss-lost", Text: "x"}}
	d.NoteReceiver(&status, said)
	said[0].Code = "changed"
	s := glance(d, clock)
	if len(s.Sensors) != 2 || s.Sensors[1].State != "lost" || codesOf(s.Warnings) != "site-not-known clock-unsure gnss-lost" {
		t.Errorf("%+v %+v", s.Sensors, s.Warnings)
	}
	d.NoteReceiver(nil, nil)
	if n := len(glance(d, clock).Sensors); n != 1 {
		t.Errorf("%d sensors", n)
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b astro.Site
		want float64
	}{
		{astro.Site{}, astro.Site{LatDeg: 1}, 111195},
		{astro.Site{LatDeg: 60}, astro.Site{LatDeg: 60, LonDeg: 1}, 55597},
		{astro.Site{LonDeg: 179.9}, astro.Site{LonDeg: -179.9}, 0.2 * 111195},
		{astro.Site{LonDeg: 359.9}, astro.Site{LonDeg: 0.1}, 0.2 * 111195},
		{astro.Site{LatDeg: 90}, astro.Site{LatDeg: -90}, math.Pi * earthRadiusM},
		{larkmoor, larkmoor, 0},
	} {
		if got := distanceM(c.a, c.b); math.Abs(got-c.want) > 5+1e-5*c.want {
			t.Errorf("%v to %v: %v m, want %v", c.a, c.b, got, c.want)
		}
	}
}
