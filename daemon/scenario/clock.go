package scenario

import (
	"sync"
	"time"
)

// Clock is simulated time: it moves only when somebody sleeps on it. One
// goroutine drives it; others may read it.
type Clock struct {
	mu     sync.Mutex
	now    time.Duration
	speed  float64
	real   func() time.Time
	pause  func(time.Duration)
	origin time.Time
	step   func(now time.Duration)
}

// NewClock starts at zero and runs as fast as it is driven.
func NewClock() *Clock { return &Clock{} }

// Pace ties the clock to real time: speed 1 is real time, 4 four times as fast.
// The real clock and its sleep are passed in.
func (c *Clock) Pace(speed float64, real func() time.Time, pause func(time.Duration)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.speed, c.real, c.pause = speed, real, pause
	c.origin = real().Add(-time.Duration(float64(c.now) / speed))
}

// AfterStep has f called after each step, outside the clock's lock.
func (c *Clock) AfterStep(f func(now time.Duration)) { c.step = f }

// Now is the simulated time.
func (c *Clock) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Sleep moves the clock by d.
func (c *Clock) Sleep(d time.Duration) {
	if d <= 0 {
		return
	}
	c.mu.Lock()
	c.now += d
	now := c.now
	var wait time.Duration
	if c.speed > 0 {
		wait = c.origin.Add(time.Duration(float64(now) / c.speed)).Sub(c.real())
	}
	c.mu.Unlock()
	if c.step != nil {
		c.step(now)
	}
	if wait > 0 {
		c.pause(wait)
	}
}
