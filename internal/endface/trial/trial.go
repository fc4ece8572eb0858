// Package trial measures the end-face analysis against drawn faces whose every
// mark is known: how often the verdict is right, how far sizes are off, what is
// found where nothing is.
package trial

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"witnessmark/internal/endface"
	"witnessmark/internal/endface/render"
	"witnessmark/internal/fibre"
)

// Outcome is one picture's result beside the truth.
type Outcome struct {
	Seed       uint64
	Population render.Population
	Ruleset    fibre.RulesetName
	Face       render.Face
	Truth      render.Truth
	Want       fibre.EndFaceVerdict
	Result     endface.Result
	Err        error
	// SizeErrors are found minus true, µm, for true marks that were matched;
	// those at least 3 pixels wide only.
	ScratchErrors, DefectErrors []float64
	// Missed counts marks at least 3 pixels wide in zones A and B without a match, Extra
	// marks found in zones A and B without a true one.
	Marks, Missed, Extra int
	// AxisError is the distance between found and true axis, µm.
	AxisError float64
	// ScaleError is relative.
	ScaleError float64
}

// Agrees says whether the verdict is the true one.
func (o Outcome) Agrees() bool {
	return o.Err == nil && string(o.Result.Verdict) == string(o.Want)
}

var rulesets = []fibre.RulesetName{fibre.SMUPC2015, fibre.SMUPC2015, fibre.SMAPC2015, fibre.MM2015, fibre.SMRL262015}

// One draws and judges the picture of the seed: a quarter clean, over half clear,
// the rest free.
func One(seed uint64) Outcome {
	o := Outcome{Seed: seed}
	switch seed % 20 {
	case 0, 1, 2, 3, 4:
		o.Population = render.Clean
	case 5, 6, 7, 8:
		o.Population = render.Free
	default:
		o.Population = render.Clear
	}
	o.Ruleset = rulesets[seed/20%uint64(len(rulesets))]
	rs, err := fibre.EndFaceRuleset(o.Ruleset)
	if err != nil {
		o.Err = fmt.Errorf("rule set: %w", err)
		return o
	}
	o.Face = render.Random(seed, o.Population, rs, o.Ruleset == fibre.MM2015)
	img, truth := o.Face.Draw()
	o.Truth = truth
	g, err := fibre.GradeEndFace(rs, truth.Features)
	if err != nil {
		o.Err = fmt.Errorf("grade the truth: %w", err)
		return o
	}
	o.Want = g.Verdict
	o.Result, o.Err = endface.Analyze(img, endface.Options{Ruleset: rs})
	if o.Err == nil && o.Result.Found {
		o.compare()
	}
	return o
}

func (o *Outcome) compare() {
	s := o.Face.PixelsPerMicrometer
	o.AxisError = math.Hypot(o.Result.Axis.X-o.Face.AxisX, o.Result.Axis.Y-o.Face.AxisY) / s
	o.ScaleError = o.Result.HalfLong/(s*render.CladdingMicrometers/2) - 1
	taken := make([]bool, len(o.Result.Marks))
	for i, t := range o.Truth.Features {
		// The nearest found mark of the kind.
		best, bd := -1, math.Inf(1)
		for j, m := range o.Result.Marks {
			if taken[j] || m.Feature.Kind != t.Kind {
				continue
			}
			if d := apart(o.Face.Marks[i], m); d < bd {
				best, bd = j, d
			}
		}
		wide := float64(t.Size)*s >= 3
		inside := t.InnerRadius < 57.5
		if wide && inside {
			o.Marks++
		}
		if best < 0 || bd > max(2, float64(t.Size)/2) {
			if wide && inside {
				o.Missed++
			}
			continue
		}
		taken[best] = true
		if !wide {
			continue
		}
		e := float64(o.Result.Marks[best].Feature.Size - t.Size)
		if t.Kind == fibre.Scratch {
			o.ScratchErrors = append(o.ScratchErrors, e)
		} else {
			o.DefectErrors = append(o.DefectErrors, e)
		}
	}
	for j, m := range o.Result.Marks {
		if !taken[j] && (m.Zone == fibre.ZoneA || m.Zone == fibre.ZoneB) {
			o.Extra++
		}
	}
}

// apart is how far the found mark is from the true one, µm: between centres
// for defects, from the found middle to the true middle line for scratches.
func apart(t render.Mark, m endface.Mark) float64 {
	x, y := float64(m.Feature.X), float64(m.Feature.Y)
	if t.Kind == fibre.Defect {
		return math.Hypot(x-t.X, y-t.Y)
	}
	return t.DistanceToMiddleLine(x, y)
}

// Run judges the pictures of seeds first … first+n-1 with the given number of
// workers and returns the outcomes in order. each, if not nil, is called for
// every one, in no order, never at the same time.
func Run(first uint64, n, workers int, each func(Outcome)) []Outcome {
	out := make([]Outcome, n)
	var wg sync.WaitGroup
	var mu sync.Mutex
	next := make(chan int)
	for range max(1, workers) {
		wg.Go(func() {
			for i := range next {
				out[i] = One(first + uint64(i))
				if each != nil {
					mu.Lock()
					each(out[i])
					mu.Unlock()
				}
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

// Summary is what a set of outcomes shows.
type Summary struct {
	Pictures                                           int
	Clear, ClearAgree, ClearNotGradable                int
	FalsePass, FalseFail                               int // among clear faces
	ClearTruePass                                      int // clear faces whose true verdict is a pass
	Free, FreeAgree, FreeNotGradable                   int
	Clean, CleanFailed, CleanNotGradable, CleanScratch int
	CleanDefects                                       int
	Marks, Missed, Extra                               int // clear faces, zones A and B
	MedianScratch, MedianDefect, MedianSize            float64
	P95Size, BiasScratch, BiasDefect                   float64
	MedianAxis, P95Axis, P95Scale                      float64
	Errors                                             int
}

// Sum makes the summary.
func Sum(outs []Outcome) Summary {
	var s Summary
	var sc, de, all, axis, scale []float64
	for _, o := range outs {
		s.Pictures++
		if o.Err != nil {
			s.Errors++
			continue
		}
		none := o.Result.Verdict == endface.NotGradable
		if o.Result.Found {
			axis = append(axis, o.AxisError)
			scale = append(scale, math.Abs(o.ScaleError))
		}
		switch o.Population {
		case render.Clean:
			s.Clean++
			if o.Result.Verdict == endface.Fail {
				s.CleanFailed++
			}
			if none {
				s.CleanNotGradable++
			}
			for _, m := range o.Result.Marks {
				if m.Feature.Kind == fibre.Scratch {
					s.CleanScratch++
				} else {
					s.CleanDefects++
				}
			}
			continue
		case render.Free:
			s.Free++
			if o.Agrees() {
				s.FreeAgree++
			}
			if none {
				s.FreeNotGradable++
			}
			continue
		}
		s.Clear++
		if o.Want == fibre.EndFacePass {
			s.ClearTruePass++
		}
		switch {
		case o.Agrees():
			s.ClearAgree++
		case none:
			s.ClearNotGradable++
		case o.Result.Verdict == endface.Pass:
			s.FalsePass++
		default:
			s.FalseFail++
		}
		s.Marks += o.Marks
		s.Missed += o.Missed
		s.Extra += o.Extra
		sc, de = append(sc, o.ScratchErrors...), append(de, o.DefectErrors...)
	}
	all = append(append(all, sc...), de...)
	s.BiasScratch, s.BiasDefect = quantile(sc, 0.5), quantile(de, 0.5)
	s.MedianScratch, s.MedianDefect = quantile(size(sc), 0.5), quantile(size(de), 0.5)
	s.MedianSize, s.P95Size = quantile(size(all), 0.5), quantile(size(all), 0.95)
	s.MedianAxis, s.P95Axis, s.P95Scale = quantile(axis, 0.5), quantile(axis, 0.95), quantile(scale, 0.95)
	return s
}

func size(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Abs(x)
	}
	return out
}

// quantile of no values is 0.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return 0
	}
	c := slices.Sorted(slices.Values(v))
	return c[min(len(c)-1, int(q*float64(len(c))))]
}
