package main

import (
	"context"
	"time"

	"plumbstar/api"
	"plumbstar/astro"
	"plumbstar/daemon"
)

// controls passes on to the daemon what a paired device asks for.
type controls struct{ d *daemon.Daemon }

func (c controls) SetSite(_ context.Context, name string, site astro.Site) error {
	return refused(c.d.SetSite(name, site, "entered"))
}

func (c controls) SetClock(_ context.Context, utc time.Time, sigmaS float64) error {
	return refused(c.d.SetClock(utc, "entered", sigmaS))
}

// refused marks an error as one that the client can mend.
func refused(err error) error {
	if err == nil {
		return nil
	}
	return &api.RefusedError{Reason: err.Error()}
}
