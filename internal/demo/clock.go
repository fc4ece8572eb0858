// Package demo sets up an invented organisation for trying the program: people,
// kit, a site that is not there, a job that was locked yesterday, two jobs in
// work and a second organisation beside it. What people did is driven through
// the server's own interface, with entries signed by their devices; nothing is
// written past it. Nobody and no place in it exists.
package demo

import (
	"sync"
	"time"
)

// Clock is a clock that can stand in the past and be moved forward: the day
// before was worked before the demonstration is shown. It never passes the real
// time. It is safe for concurrent use.
type Clock struct {
	mu     sync.Mutex
	behind time.Duration
}

// Now is the clock's time: UTC, cut to milliseconds.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Now().Add(-c.behind).UTC().Truncate(time.Millisecond)
}

// Advance moves the clock forward by d, at most to the real time.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.behind = max(c.behind-d, 0)
}

// Set moves the clock to t, at most to the real time. Before anything was
// recorded it may also move back.
func (c *Clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.behind = max(time.Since(t), 0)
}
