package main

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"math"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/sensors"
	"plumbstar/sensors/bme280"
)

// The air changes slowly, and a barometer that nobody has is not worth looking
// for often.
const (
	airEvery  = time.Minute
	airRetry  = 15 * time.Second
	airAbsent = 5 * time.Minute
)

// barometer reads the air beside the loop and tells the daemon.
type barometer struct {
	d      *daemon.Daemon
	find   func() (*bme280.Dev, error)
	lost   func()
	log    *slog.Logger
	status daemon.SensorStatus
	dev    *bme280.Dev
}

// measureAir starts to read the air; the function it returns waits for the end,
// once ctx is done.
func measureAir(ctx context.Context, set config.Air, buses *liveBuses, d *daemon.Daemon, log *slog.Logger) (wait func()) {
	if set.Sensor == config.None {
		return func() {}
	}
	b := newBarometer(d, buses.findBarometer, func() { buses.release(airUser) }, log)
	var g sync.WaitGroup
	g.Go(func() {
		defer b.lost()
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(b.step()):
			}
		}
	})
	return g.Wait
}

const airUser = "air"

func newBarometer(d *daemon.Daemon, find func() (*bme280.Dev, error), lost func(), log *slog.Logger) *barometer {
	return &barometer{d: d, find: find, lost: lost, log: log, status: daemon.SensorStatus{
		Name: airUser, State: "starting", TempC: math.NaN(), AgeS: -1, Faults: map[string]uint64{},
	}}
}

// findBarometer opens the first one that answers on any bus.
func (l *liveBuses) findBarometer() (*bme280.Dev, error) {
	all, err := i2cBuses()
	if err != nil {
		return nil, err
	}
	for _, b := range all {
		bus, err := l.get(airUser, b)
		if err != nil {
			continue
		}
		if dev, err := firstBarometer(bus); err == nil {
			return dev, nil
		}
	}
	return nil, errNoBarometer
}

var errNoBarometer = errors.New("no BME280 or BMP280 answers")

func firstBarometer(bus i2c.Bus) (*bme280.Dev, error) {
	for _, a := range []uint16{bme280.Addr, bme280.AltAddr} {
		if _, ok, err := bme280.Identify(bus, a); err == nil && ok {
			return bme280.New(bus, a)
		}
	}
	return nil, errNoBarometer
}

// step reads once, or looks for the chip, and says when to come again.
func (b *barometer) step() time.Duration {
	if b.dev == nil {
		dev, err := b.find()
		if err != nil {
			b.lost()
			if b.status.Samples == 0 {
				return airAbsent // nobody asked for it
			}
			return airRetry
		}
		b.dev = dev
		b.log.Info("barometer found", "device", dev.String())
	}
	a, err := b.dev.Read()
	if err == nil {
		err = b.d.NoteAir(astro.Air{PressureHPa: a.PressureHPa, TempC: a.TempC})
	}
	if err != nil {
		b.failed(err)
		return airRetry
	}
	if b.status.State == "lost" {
		b.status.Recoveries++
	}
	b.status.State, b.status.Device, b.status.TempC = "ok", b.dev.String(), a.TempC
	b.status.Samples++
	b.publish()
	return airEvery
}

func (b *barometer) failed(err error) {
	if b.status.State != "lost" {
		b.log.Warn("barometer lost", "error", err)
	}
	f := sensors.NameOf(err)
	b.status.State, b.status.Fault, b.status.LastError = "lost", sensors.FaultOf(err), err.Error()
	b.status.Advice = daemon.Advice(f)
	b.status.Errors++
	b.status.Faults[string(f)]++
	b.dev = nil
	b.lost()
	b.publish()
}

func (b *barometer) publish() {
	s := b.status
	s.Faults = maps.Clone(s.Faults)
	b.d.NoteBarometer(&s)
}
