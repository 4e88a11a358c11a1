package main

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors/stability"
)

// firstLookAfter is when the nights are first read: the sensors answer by then, and
// nobody waits for the disk.
const firstLookAfter = time.Minute

// learnFromNights reads the nights soon after the start and after the end of each
// night, until ctx ends. What they teach is offered; unasked, it is used at once
// where a held-back night proves it.
func learnFromNights(ctx context.Context, d *daemon.Daemon, path string, unasked bool, log *slog.Logger) {
	look := func() {
		err := d.LearnTemperature(ctx, func(ctx context.Context, chip string) ([]stability.Night, error) {
			r, err := nightlog.OpenReader(ctx, path)
			if nightlog.KindOf(err) == nightlog.Missing {
				return nil, nil
			}
			if err != nil {
				return nil, err
			}
			defer r.Close()
			return daemon.ReadRestNights(ctx, r, chip)
		}, unasked)
		var refused *daemon.Refusal
		switch o := d.TemperatureOffer(); {
		case errors.As(err, &refused):
			log.Info("nights not learned from", "reason", refused.Text)
		case err != nil && ctx.Err() == nil:
			log.Warn("nights not learned from", "error", err)
		case o.State == daemon.OfferOpen:
			log.Info("the nights teach how the sensor follows its temperature: accept it on the page", "proven", o.Proven)
		}
	}
	first := time.NewTimer(firstLookAfter)
	defer first.Stop()
	events := d.Events(ctx, 0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-first.C:
			look()
		case e, ok := <-events:
			if !ok {
				return
			}
			if e.Kind == daemon.EventNightEnded {
				look()
			}
		}
	}
}
