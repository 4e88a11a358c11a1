package display

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/sensors"
)

const (
	// stepEvery is how often the glass is looked after, and changed at most.
	stepEvery = 500 * time.Millisecond
	// retryEvery is how often a display that does not answer is looked for.
	retryEvery = 3 * time.Second
	// renewEvery bounds how long a display stays dark that lost its supply for a
	// moment. The whole picture takes 0.11 s of a bus at 100 kHz.
	renewEvery = 30 * time.Second
)

// name is what health calls the display.
const name = "display"

// Source is what the daemon publishes, and hears of the display.
type Source interface {
	Latest() *daemon.Snapshot
	Watch() daemon.WatchStatus
	NoteDisplay(*daemon.SensorStatus)
}

// Options is what a Display needs.
type Options struct {
	Settings config.Display
	Source   Source
	// Find calls try with each bus that the settings allow, until try succeeds. A bus
	// may make transfers wait for a good moment.
	Find func(try func(i2c.Bus) error) error
	// Lost tells that the bus is no longer used.
	Lost func()
	// Clock is that of the snapshots.
	Clock func() time.Duration
	// Page is the address of the phone page, empty before it is known.
	Page func() string
	// Code is the pairing code that waits, or empty.
	Code func() string
	Log  *slog.Logger
}

// Display keeps the glass up to date.
type Display struct {
	o       Options
	glass   *glass
	shown   Screen
	renewAt time.Duration
	retryAt time.Duration
	status  daemon.SensorStatus
}

// New prepares a display; Run makes it work.
func New(o Options) (*Display, error) {
	if o.Source == nil || o.Find == nil || o.Lost == nil || o.Clock == nil || o.Page == nil || o.Code == nil || o.Log == nil {
		return nil, errors.New("display: Source, Find, Lost, Clock, Page, Code and Log are required")
	}
	return &Display{o: o, status: daemon.SensorStatus{
		Name: name, Device: fmt.Sprintf("%s at 0x%02x", o.Settings.Chip, o.Settings.Address), State: "starting",
		TempC: math.NaN(), RateHz: math.NaN(), AgeS: -1, Faults: map[string]uint64{},
	}}, nil
}

// Run shows guidance until ctx ends and leaves the glass dark.
func (d *Display) Run(ctx context.Context) {
	t := time.NewTicker(stepEvery)
	defer t.Stop()
	defer d.o.Lost()
	for {
		d.step(d.o.Clock())
		select {
		case <-t.C:
		case <-ctx.Done():
			if d.glass != nil {
				if err := d.glass.off(); err != nil {
					d.o.Log.Warn("the display could not be wiped: what stands there is old", "error", err)
				}
			}
			return
		}
	}
}

// step shows what is to be shown now, or looks for the display.
func (d *Display) step(now time.Duration) {
	if d.glass == nil && now < d.retryAt {
		return
	}
	s := Compose(Moment{Now: now, Snapshot: d.o.Source.Latest(), Armed: d.o.Source.Watch().Armed, Page: d.o.Page(), Code: d.o.Code(), Language: d.o.Settings.Language})
	var err error
	switch {
	case d.glass == nil:
		if err = d.find(); err == nil {
			err = d.fault("show", d.glass.bus, d.glass.show(Draw(s)))
			d.renewAt = now + renewEvery
		}
	case now >= d.renewAt:
		err = d.fault("renew", d.glass.bus, d.glass.renew(Draw(s)))
		d.renewAt = now + renewEvery
	case s != d.shown:
		err = d.fault("show", d.glass.bus, d.glass.show(Draw(s)))
	default:
		return
	}
	if err != nil {
		d.failed(now, err)
		return
	}
	d.shown = s
	d.worked()
}

func (d *Display) find() error {
	return d.o.Find(func(bus i2c.Bus) error {
		g, err := openGlass(bus, d.o.Settings)
		if err != nil {
			return d.fault("start", bus, err)
		}
		d.glass = g
		return nil
	})
}

// fault says what was tried where; nil stays nil.
func (d *Display) fault(op string, bus fmt.Stringer, err error) error {
	if err == nil {
		return nil
	}
	return &sensors.Error{Chip: d.o.Settings.Chip, Bus: bus.String(), Addr: d.o.Settings.Address, Op: op, Fault: sensors.FaultBus, Err: err}
}

// worked publishes only what is news: the display is looked after twice a second.
func (d *Display) worked() {
	d.status.Samples++
	if d.status.State == "ok" {
		return
	}
	if d.status.State == "lost" {
		d.status.Recoveries++
	}
	d.status.State = "ok"
	d.status.Device = fmt.Sprintf("%s at 0x%02x on %s", d.o.Settings.Chip, d.o.Settings.Address, d.glass.bus)
	d.o.Log.Info("the display shows guidance", "device", d.status.Device)
	d.publish()
}

func (d *Display) failed(now time.Duration, err error) {
	d.glass, d.retryAt = nil, now+retryEvery
	d.o.Lost()
	if d.status.State != "lost" {
		d.o.Log.Warn("the display is lost", "error", err)
	}
	f := sensors.NameOf(err)
	d.status.State, d.status.Fault, d.status.LastError, d.status.Advice = "lost", sensors.FaultOf(err), err.Error(), daemon.Advice(f)
	d.status.Errors++
	d.status.Faults[string(f)]++
	d.publish()
}

func (d *Display) publish() {
	s := d.status
	s.Faults = maps.Clone(s.Faults)
	d.o.Source.NoteDisplay(&s)
}
