package server

import (
	"container/list"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"witnessmark/internal/errs"
)

// Rate is how many calls a second one caller may make, and how many at once.
type Rate struct {
	PerSecond float64
	Burst     int
}

// limiter counts calls by caller, in a bounded table: the caller not heard of
// longest is forgotten first.
type limiter struct {
	rate Rate
	size int

	mu     sync.Mutex
	keys   map[string]*list.Element
	recent *list.List
}

type bucket struct {
	key string
	lim *rate.Limiter
}

func newLimiter(r Rate, size int) *limiter {
	return &limiter{rate: r, size: size, keys: map[string]*list.Element{}, recent: list.New()}
}

// allow takes one call from a caller's allowance.
//
// The error is Busy RATE_LIMITED with the time to wait.
func (l *limiter) allow(key string, now time.Time) error {
	if l.rate.PerSecond <= 0 {
		return nil
	}
	l.mu.Lock()
	e, ok := l.keys[key]
	if ok {
		l.recent.MoveToFront(e)
	} else {
		e = l.recent.PushFront(&bucket{key, rate.NewLimiter(rate.Limit(l.rate.PerSecond), l.rate.Burst)})
		l.keys[key] = e
		if l.recent.Len() > l.size {
			last := l.recent.Back()
			l.recent.Remove(last)
			delete(l.keys, last.Value.(*bucket).key)
		}
	}
	lim := e.Value.(*bucket).lim
	l.mu.Unlock()
	r := lim.ReserveN(now, 1)
	wait := r.DelayFrom(now)
	if wait == 0 {
		return nil
	}
	r.CancelAt(now)
	return errs.New(errs.Busy, "RATE_LIMITED", "too many calls; wait a little and send it again", "retry_after", max(wait, busyDelay).Round(time.Millisecond).String())
}
