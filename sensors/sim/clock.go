package sim

import (
	"sync"
	"time"
)

// Clock is a sensors.Clock that stands still until somebody sleeps on it or
// moves it: simulated time for tests and demonstrations. The zero value stands
// at 0. It is safe for concurrent use; two sleepers add up.
type Clock struct {
	mu  sync.Mutex
	now time.Duration
}

// Now is the simulated time.
func (c *Clock) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Sleep moves the clock by d at once; a negative d does nothing.
func (c *Clock) Sleep(d time.Duration) {
	if d <= 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now += d
}
