package main

import (
	"context"
	"log/slog"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"plumbstar/api/display"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
)

const displayUser = "display"

// showDisplay starts the display of the settings; the function that it returns
// waits until the glass is dark, once ctx is done. page and code give the
// address of the page and the pairing code, or "".
func showDisplay(ctx context.Context, set config.Display, clock realClock, buses *liveBuses, d *daemon.Daemon, page, code func() string, log *slog.Logger) (wait func(), err error) {
	if set.Chip == config.None {
		return func() {}, nil
	}
	show, err := display.New(display.Options{
		Settings: set, Source: d, Clock: clock.Now, Page: page, Code: code, Log: log,
		Find: func(try func(i2c.Bus) error) error {
			return buses.each(displayUser, set.Bus, func(bus i2c.Bus) error { return try(asGuest(bus)) })
		},
		Lost: func() { buses.release(displayUser) },
	})
	if err != nil {
		return nil, err
	}
	var g sync.WaitGroup
	g.Go(func() { show.Run(ctx) })
	return g.Wait, nil
}

// each opens the buses that a setting names, one after the other, until try succeeds
// with one: user then uses that.
func (l *liveBuses) each(user, setting string, try func(i2c.Bus) error) error {
	buses, err := l.candidates(setting)
	if err != nil {
		return err
	}
	var failed error
	for _, b := range buses {
		bus, err := l.get(user, b)
		if err == nil {
			if err = try(bus); err == nil {
				return nil
			}
		}
		failed = alsoOn(failed, err)
	}
	return failed
}
