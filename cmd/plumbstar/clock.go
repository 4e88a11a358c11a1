package main

import (
	"time"
)

// realClock is the monotonic clock of this machine, from the moment it was made.
type realClock struct{ start time.Time }

func newRealClock() realClock { return realClock{start: time.Now()} }

func (c realClock) Now() time.Duration { return time.Since(c.start) }

func (c realClock) Sleep(d time.Duration) { time.Sleep(d) }

// UTC is the system's time at that moment of the clock, which may be past: the loop
// may have hung meanwhile, and a difference would look like a jump of the clock.
func (c realClock) UTC(at time.Duration) time.Time { return time.Now().Add(at - c.Now()) }

// builtAt is a time that has certainly passed; a release build may set a later
// one (-ldflags "-X main.builtAtText=…").
var builtAtText = "2026-11-01T00:00:00Z"

func builtAt() time.Time {
	t, err := time.Parse(time.RFC3339, builtAtText)
	if err != nil {
		return time.Time{}
	}
	return t
}
