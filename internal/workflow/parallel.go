package workflow

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// fewest is how many pieces of work are worth a second goroutine.
const fewest = 4

// parallel calls f with 0 … n-1, on as many goroutines as there are processors,
// and returns when all calls have. A panic in f is one of the caller's, who may
// recover from it.
func parallel(n int, f func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), n/fewest+1)
	if workers < 2 {
		for i := range n {
			f(i)
		}
		return
	}
	var next atomic.Int64
	var wait sync.WaitGroup
	var mu sync.Mutex
	var panicked any
	work := func() {
		defer wait.Done()
		defer func() {
			if p := recover(); p != nil {
				mu.Lock()
				panicked = p
				mu.Unlock()
				next.Store(int64(n)) // the others need not go on
			}
		}()
		for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
			f(int(i))
		}
	}
	wait.Add(workers)
	for range workers - 1 {
		go work()
	}
	work()
	wait.Wait()
	if panicked != nil {
		panic(panicked)
	}
}
