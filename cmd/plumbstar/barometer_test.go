package main

import (
	"io"
	"log/slog"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/sensors"
	"plumbstar/sensors/bme280"
	"plumbstar/sensors/sim"
)

// passing lets simulated time pass with each transfer.
type passing struct {
	i2c.Bus
	clock *sim.Clock
}

func (p passing) Tx(addr uint16, w, r []byte) error {
	p.clock.Sleep(3 * time.Millisecond)
	return p.Bus.Tx(addr, w, r)
}

// TestBarometer: found, used, lost without harm, found again.
func TestBarometer(t *testing.T) {
	raw, clock := chipBus(t, 0x77, sim.NewBME280(sim.Still{TempC: -8}, sim.Settings{}, 901))
	bus := passing{raw, clock}
	standard := astro.StandardAir(0)
	d, err := daemon.New(daemon.Options{
		Clock: clock, UTC: func(time.Duration) time.Time { return time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC) },
		Inertial: &daemon.Inertial{Device: "none", Mount: daemon.Straight(), Open: func() (sensors.Inertial, error) { return nil, io.EOF }},
		AimKind:  "refracted", Air: standard, Model: geomag.WMM2025(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
	})
	if err != nil {
		t.Fatal(err)
	}
	released := 0
	b := newBarometer(d, func() (*bme280.Dev, error) { return firstBarometer(bus) }, func() { released++ }, slog.New(slog.DiscardHandler))
	if again := b.step(); again != airEvery {
		t.Errorf("again in %v", again)
	}
	if a := d.Here().Air; math.Abs(a.PressureHPa-901) > 0.1 || math.Abs(a.TempC+8) > 0.1 {
		t.Errorf("%+v", a)
	}
	raw.Unplug(0x77)
	for range 3 {
		if again := b.step(); again != airRetry {
			t.Errorf("lost: again in %v", again)
		}
	}
	if b.status.State != "lost" || b.status.Faults["no-answer"] != 1 || b.status.Advice == "" || released == 0 {
		t.Errorf("%+v, released %d times", b.status, released)
	}
	clock.Sleep(time.Hour)
	if a := d.Here().Air; a != standard {
		t.Errorf("an hour later still %+v", a)
	}
	raw.Replug(0x77)
	clock.Sleep(time.Second)
	b.step()
	if b.status.State != "ok" || b.status.Recoveries != 1 {
		t.Errorf("%+v", b.status)
	}
	// Nothing there: not looked for often, and not named in the health.
	b = newBarometer(d, func() (*bme280.Dev, error) { return nil, errNoBarometer }, func() {}, slog.New(slog.DiscardHandler))
	if again := b.step(); again != airAbsent {
		t.Errorf("absent: again in %v", again)
	}
}
