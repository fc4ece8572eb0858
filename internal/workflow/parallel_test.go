package workflow

import (
	"sync/atomic"
	"testing"
)

func TestParallelDoesEachPieceOnce(t *testing.T) {
	for _, n := range []int{0, 1, 3, 4, 20, 1000} {
		done := make([]atomic.Int64, n)
		parallel(n, func(i int) { done[i].Add(1) })
		for i := range done {
			if got := done[i].Load(); got != 1 {
				t.Errorf("parallel(%d): piece %d was done %d times; want once", n, i, got)
			}
		}
	}
}

func TestParallelHandsAPanicToTheCaller(t *testing.T) {
	for _, n := range []int{1, 100} {
		func() {
			defer func() {
				if got := recover(); got != "piece 0" {
					t.Errorf("parallel(%d) with a piece that panics: recovered %v; want its panic", n, got)
				}
			}()
			parallel(n, func(i int) {
				if i == 0 {
					panic("piece 0")
				}
			})
		}()
	}
}
