package rf

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

func random() *rand.Rand { return rand.New(rand.NewPCG(7, 16)) }

func TestInversesGiveTheSame(t *testing.T) {
	r := random()
	for range 2000 {
		rl := units.DB(r.Float64() * 60)
		g, err := Reflection(rl)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ReturnLoss(g)
		if err != nil || math.Abs(float64(back-rl)) > 1e-12*(1+float64(rl)) {
			t.Errorf("ReturnLoss(Reflection(%v)) = %v, %v", rl, back, err)
		}
		v, err := VSWR(rl)
		if err != nil {
			t.Fatal(err)
		}
		// Above 40 dB the VSWR is so near 1 that digits go.
		back, err = ReturnLossFromVSWR(v)
		if err != nil || math.Abs(float64(back-rl)) > 1e-9 {
			t.Errorf("ReturnLossFromVSWR(VSWR(%v)) = %v, %v", rl, back, err)
		}
		level := units.DBm(r.Float64()*200 - 150)
		w, err := WattsFromDBm(level)
		if err != nil {
			t.Fatal(err)
		}
		same, err := DBmFromWatts(w)
		if err != nil || math.Abs(float64(same-level)) > 1e-11 {
			t.Errorf("DBmFromWatts(WattsFromDBm(%v)) = %v, %v", level, same, err)
		}
		loss := units.DB(r.Float64() * 10)
		in, err := ReturnLossThroughLine(rl, loss)
		if err != nil {
			t.Fatal(err)
		}
		far, _, err := FarEndReturnLoss(in, loss)
		if err != nil || math.Abs(float64(far-rl)) > 1e-12*60 {
			t.Errorf("FarEndReturnLoss(%v, %v) = %v, %v; want %v", in, loss, far, err, rl)
		}
	}
}

func TestTheTruthLiesInsideTheBoundsWhateverThePhases(t *testing.T) {
	r := random()
	for range 3000 {
		truth := units.DBm(-150 + 60*r.Float64())
		residual := truth - units.DBm(0.1+40*r.Float64())
		a, b := math.Pow(10, float64(truth)/20), math.Pow(10, float64(residual)/20)
		reading := units.DBm(20 * math.Log10(cmplx.Abs(complex(a, 0)+cmplx.Rect(b, 2*math.Pi*r.Float64()))))
		low, high, err := ReadingBounds(truth, residual)
		if err != nil || reading < low-1e-6 || reading > high+1e-6 {
			t.Errorf("true %v, residual %v reads %v; bounds %v to %v, %v", truth, residual, reading, low, high, err)
		}
		most, err := AtMost(reading, residual)
		if err != nil || truth > most+1e-6 {
			t.Errorf("reading %v, residual %v: at most %v, %v; the truth is %v", reading, residual, most, err, truth)
		}
		if reading > residual {
			low, high, err := TrueBounds(reading, residual)
			if err != nil || truth < low-1e-6 || truth > high+1e-6 {
				t.Errorf("reading %v, residual %v: true from %v to %v, %v; the truth is %v", reading, residual, low, high, err, truth)
			}
		}
		// Return loss through directivity and source match.
		rl, d, s := units.DB(3+40*r.Float64()), units.DB(25+20*r.Float64()), units.DB(15+25*r.Float64())
		g, gd, gs, err := reflections(rl, d, s)
		if err != nil {
			t.Fatal(err)
		}
		phase := func() float64 { return 2 * math.Pi * r.Float64() }
		read := returnLoss(cmplx.Abs(complex(g, 0) + cmplx.Rect(gd, phase()) + cmplx.Rect(g*g*gs, phase())))
		rlLow, rlHigh, err := ReturnLossReadingsWithMatch(rl, d, s)
		if err != nil || read < rlLow-1e-6 || read > rlHigh+1e-6 {
			t.Errorf("RL %v, directivity %v, match %v reads %v; bounds %v to %v, %v", rl, d, s, read, rlLow, rlHigh, err)
		}
		if read > 0 {
			rlLow, rlHigh, err = TrueReturnLoss(read, d, s)
			if err != nil || rl < rlLow-1e-6 || rl > rlHigh+1e-6 {
				t.Errorf("reading %v, directivity %v, match %v: true from %v to %v, %v; the truth is %v", read, d, s, rlLow, rlHigh, err, rl)
			}
		}
	}
}

func TestAProvenPassProvesIt(t *testing.T) {
	r := random()
	for range 2000 {
		limit := units.DBm(-120 + 30*r.Float64())
		residual := limit - units.DBm(0.5+30*r.Float64())
		edge, err := ProvenPass(limit, residual)
		if err != nil {
			t.Fatal(err)
		}
		for _, tc := range []struct {
			off  units.DBm
			want []LevelAgainstLimit
		}{{-0.001, []LevelAgainstLimit{Inside, InsideAtMost}}, {0.001, []LevelAgainstLimit{NotProven, NotMeasurable}}} {
			got, err := JudgeLevel(edge+tc.off, residual, limit)
			if err != nil || !slices.Contains(tc.want, got.Finding) {
				t.Errorf("limit %v, residual %v, reading %v: %+v, %v; want one of %v", limit, residual, edge+tc.off, got, err, tc.want)
			}
			if got.KitFit != (limit-residual >= 10) {
				t.Errorf("limit %v, residual %v: fit %v", limit, residual, got.KitFit)
			}
		}
	}
}

func TestEveryPairOfTonesStaysInsideTheWholeBandRange(t *testing.T) {
	r := random()
	for _, b := range Bands() {
		if b.Source == "" {
			t.Errorf("band %d has no source", b.Number)
		}
		for _, order := range []int{3, 5, 7, 9} {
			whole, err := WholeBand(order, b.Downlink)
			if err != nil {
				t.Fatal(err)
			}
			for range 200 {
				at := func() units.Megahertz {
					return b.Downlink.Low + units.Megahertz(r.Float64())*(b.Downlink.High-b.Downlink.Low)
				}
				low, high, err := NearProducts(at(), at(), order)
				if err != nil || !whole.Contains(low) || !whole.Contains(high) {
					t.Errorf("band %d order %d: products %v and %v outside %v, %v", b.Number, order, low, high, whole, err)
				}
			}
		}
	}
}

func TestHitsOfOneAndTwoBands(t *testing.T) {
	// Edges: 3GPP TS 36.104 table 5.5-1; the hits are by enumeration.
	b5, err := BandByNumber(5)
	if err != nil {
		t.Fatal(err)
	}
	got, err := WholeBandHits(b5.Downlink, b5.Uplink, 7)
	if err != nil || len(got) != 3 || got[0].Order != 3 || got[0].Into != (Range{844, 849}) || got[1].Into != b5.Uplink {
		t.Errorf("band 5 = %+v, %v; want IM3 into 844-849 and IM5, IM7 into all", got, err)
	}
	b2, _ := BandByNumber(2)
	b4, err := BandByNumber(4)
	if err != nil {
		t.Fatal(err)
	}
	got, err = TwoBandHits(b2.Downlink, b4.Downlink, b4.Uplink, 3)
	if err != nil || len(got) != 1 || got[0].Range != (Range{1705, 1870}) || got[0].Into != b4.Uplink || got[0].From != "2·A − 1·B" {
		t.Errorf("bands 2 and 4 on one line = %+v, %v; want 2·A − 1·B into the uplink of band 4", got, err)
	}
}

// slow is the definition of the transform, term by term.
func slow(gamma []complex128, w []float64, bins int) []float64 {
	out := make([]float64, bins)
	for k := range out {
		var s complex128
		var total float64
		for i, g := range gamma {
			s += g * complex(w[i], 0) * cmplx.Exp(complex(0, 2*math.Pi*float64(i*k%bins)/float64(bins)))
			total += w[i]
		}
		out[k] = cmplx.Abs(s) / total
	}
	return out
}

func TestTransformAgreesWithItsDefinition(t *testing.T) {
	r := random()
	for _, tc := range []struct{ n, bins int }{{2, 2}, {3, 3}, {64, 64}, {101, 101}, {127, 127}, {151, 151}, {211, 211}, {137, 512}, {100, 257}, {401, 401}} {
		gamma := make([]complex128, tc.n)
		for i := range gamma {
			gamma[i] = complex(r.NormFloat64(), r.NormFloat64())
		}
		for _, w := range Windows() {
			weights, err := w.Weights(tc.n)
			if err != nil {
				t.Fatal(err)
			}
			if w != Rectangular && tc.n < 4 {
				continue // two weights of a cosine window are almost nothing
			}
			got, err := Transform(gamma, w, tc.bins)
			if err != nil {
				t.Fatal(err)
			}
			for k, want := range slow(gamma, weights, tc.bins) {
				if math.Abs(got[k]-want) > 1e-12*float64(tc.bins) {
					t.Errorf("%s, %d points, bin %d of %d: %v; want %v", w, tc.n, k, tc.bins, got[k], want)
					break
				}
			}
		}
	}
}

func line(n int, step, vf float64, faults map[float64]float64) Trace {
	tr := Trace{Reference: 50}
	for i := range n {
		f := 700e6 + float64(i)*step
		var g complex128
		for d, a := range faults {
			g += cmplx.Rect(a, -4*math.Pi*f*d/(SpeedOfLight*vf))
		}
		tr.Hertz, tr.Gamma = append(tr.Hertz, f), append(tr.Gamma, g)
	}
	return tr
}

func TestProfilePlacesFaultsInsideTheirUncertainty(t *testing.T) {
	r := random()
	for _, w := range Windows() {
		for range 40 {
			a, b := 5+20*r.Float64(), 40+40*r.Float64()
			got, err := DistanceProfile(line(501, 0.5e6, 0.88, map[float64]float64{a: 0.1, b: 0.08}),
				ProfileOptions{VelocityFactor: 0.88, Window: w, Threshold: 40})
			if err != nil {
				t.Fatal(err)
			}
			for d, mag := range map[float64]float64{a: 0.1, b: 0.08} {
				if !slices.ContainsFunc(got.Peaks, func(p Peak) bool {
					return math.Abs(float64(p.Distance)-d) <= float64(p.Uncertainty) && math.Abs(20*math.Log10(p.Reflection/mag)) < 0.5
				}) {
					t.Errorf("%s: no peak of %v at %v m in %+v", w, mag, d, got.Peaks)
				}
			}
			if w != Rectangular && len(got.Peaks) != 2 {
				t.Errorf("%s: %d peaks for two faults: %+v", w, len(got.Peaks), got.Peaks)
			}
		}
	}
}

func TestAWrongVelocityFactorStaysInsideTheUncertainty(t *testing.T) {
	// Foam lines: 0.87 to 0.89, common practice.
	got, err := DistanceProfile(line(501, 0.5e6, 0.89, map[float64]float64{60: 0.1}),
		ProfileOptions{VelocityFactor: 0.88, VelocityFactorError: 0.01, Window: Hann})
	if err != nil || len(got.Peaks) != 1 {
		t.Fatalf("%+v, %v; want one peak", got.Peaks, err)
	}
	p := got.Peaks[0]
	right, err := WithVelocityFactor(p.Distance, 0.88, 0.89)
	if err != nil || math.Abs(float64(right)-60) > 0.02 || math.Abs(float64(p.Distance)-60) > float64(p.Uncertainty) {
		t.Errorf("shown at %v ± %v, corrected %v, %v; want 60", p.Distance, p.Uncertainty, right, err)
	}
}

func TestPeakIsCorrectedForLineLoss(t *testing.T) {
	// 25 dB shown at 30 m behind 5 dB per 100 m is 22 dB at the fault.
	got, err := DistanceProfile(line(501, 0.5e6, 0.88, map[float64]float64{30: math.Pow(10, -25.0/20)}),
		ProfileOptions{VelocityFactor: 0.88, Window: Hann, Loss: 5})
	if err != nil || len(got.Peaks) != 1 || math.Abs(float64(got.Peaks[0].AtFault)-22) > 0.01 || len(got.Warnings) != 0 {
		t.Errorf("%+v, %v, %v; want one peak of 22 dB at the fault and no warning", got.Peaks, got.Warnings, err)
	}
	got, err = DistanceProfile(line(501, 0.5e6, 0.88, map[float64]float64{30: 0.5}),
		ProfileOptions{VelocityFactor: 0.88, Window: Hann, Loss: 20})
	if err != nil || len(got.Warnings) != 1 || got.Warnings[0].Reason != WarnGainAtFault {
		t.Errorf("too much loss: %v, %v; want %s", got.Warnings, err, WarnGainAtFault)
	}
}

func TestWhatASetupCannotShowIsSaid(t *testing.T) {
	s := Setup{700, 955, 256, 0.88, Hann} // largest distance 131.909 m, separation 1.03 m
	for _, tc := range []struct {
		reach, apart units.Meters
		want         []string
	}{
		{131, 1.1, nil},
		{132, 0, []string{WarnBeyondLargest}},
		{50, 1.0, []string{WarnTooCoarse}},
		{200, 0.5, []string{WarnBeyondLargest, WarnTooCoarse}},
	} {
		ws, err := s.WarningsFor(tc.reach, tc.apart)
		var got []string
		for _, w := range ws {
			got = append(got, w.Reason)
		}
		if err != nil || !slices.Equal(got, tc.want) {
			t.Errorf("WarningsFor(%v, %v) = %v, %v; want %v", tc.reach, tc.apart, got, err, tc.want)
		}
	}
	p, err := DistanceProfile(line(256, 1e6, 0.88, map[float64]float64{30: 0.1}), ProfileOptions{VelocityFactor: 0.88, Window: Hann, To: 150, Loss: 1})
	if err != nil || len(p.Warnings) != 1 || p.Warnings[0].Reason != WarnBeyondLargest {
		t.Errorf("a profile to 150 m = %v, %v; want %s", p.Warnings, err, WarnBeyondLargest)
	}
}

func TestAnUnevenSweepHasNoDistances(t *testing.T) {
	tr := line(256, 1e6, 0.88, map[float64]float64{30: 0.1})
	tr.Hertz[100] += 0.02e6
	if got, err := DistanceProfile(tr, ProfileOptions{VelocityFactor: 0.88, Window: Hann}); !errs.Is(err, "STEP_NOT_EVEN") {
		t.Errorf("%v, %v; want STEP_NOT_EVEN", got.Peaks, err)
	}
}

func TestACableIsFittedToItsDataSheet(t *testing.T) {
	// Rows made from known constants come back; a row mistyped tenfold is seen.
	var rows []CablePoint
	for _, f := range []units.Megahertz{100, 450, 900, 1800, 2700} {
		a, err := Attenuation(3.51, 0.47, f)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, CablePoint{f, a})
	}
	c, worst, err := CableFromTable("sheet", rows, 0.89, "data sheet")
	if err != nil || math.Abs(c.K1-3.51) > 1e-9 || math.Abs(c.K2-0.47) > 1e-9 || worst > 1e-9 || c.Highest != 2700 {
		t.Errorf("CableFromTable = %+v, worst %v, %v; want k1 3.51, k2 0.47", c, worst, err)
	}
	if a, err := c.Attenuation(2701); !errs.Is(err, "FREQUENCY_ABOVE_CABLE") {
		t.Errorf("above the sheet: %v, %v; want FREQUENCY_ABOVE_CABLE", a, err)
	}
	rows[4].Loss /= 10
	if c, worst, err := CableFromTable("sheet", rows, 0.89, "data sheet"); err == nil && worst < 0.2 {
		t.Errorf("a row ten times too small fits: %+v, worst %v", c, worst)
	}
	if c, _, err := CableFromTable("sheet", rows[:1], 0.89, "data sheet"); !errs.Is(err, "CABLE_TABLE_UNUSABLE") {
		t.Errorf("one row = %+v, %v; want CABLE_TABLE_UNUSABLE", c, err)
	}
}

func TestKitIsolationStories(t *testing.T) {
	// The order of the steps and the figures: common practice, no source.
	limits := DefaultKitLimits()
	read := func(step KitStep, level units.DBc) KitReading { return KitReading{Step: step, Level: level} }
	cleaned := func(step KitStep, level units.DBc) KitReading {
		return KitReading{Step: step, Level: level, Cleaned: true}
	}
	second := func(step KitStep, level units.DBc) KitReading {
		return KitReading{Step: step, Level: level, SecondLoad: true}
	}
	for _, tc := range []struct {
		name     string
		readings []KitReading
		carrier  units.DBm
		finding  KitFinding
		suspect  KitPart
		next     KitStep
		residual units.DBc // 0: none
		advice   []KitAdvice
	}{
		{"nothing read yet", nil, limits.Carrier, KitIncomplete, NoPart, SourceDirect, 0, []KitAdvice{AdviceNextStep}},
		{"a step is skipped", []KitReading{read(SourceDirect, -110), read(LoadOnCable, -172)}, limits.Carrier, KitIncomplete, NoPart, LoadDirect, 0,
			[]KitAdvice{AdviceNextStep, AdviceLaterStepsUnread}},
		{"all good", []KitReading{read(SourceDirect, -110.5), read(LoadDirect, -172), read(LoadOnCable, -171), read(Flexing, -170.4)}, limits.Carrier,
			KitFit, NoPart, 0, -170.4, []KitAdvice{AdviceTestLine}},
		{"marginal", []KitReading{read(SourceDirect, -107), read(LoadDirect, -167), read(LoadOnCable, -167), read(Flexing, -167)}, limits.Carrier,
			KitMarginal, NoPart, 0, -167, []KitAdvice{AdviceMarginal, AdviceTestLine}},
		{"source too strong, once", []KitReading{read(SourceDirect, -106.9)}, limits.Carrier, KitNotFit, SourceOrAnalyser, SourceDirect, 0,
			[]KitAdvice{AdviceCleanAndRepeat, AdviceDoNotTestLine}},
		{"source too weak, cleaned", []KitReading{read(SourceDirect, -114), cleaned(SourceDirect, -114)}, limits.Carrier, KitNotFit, SourceOrAnalyser, 0, 0,
			[]KitAdvice{AdviceWithdraw, AdviceDoNotTestLine}},
		{"dirty cable, good after cleaning", []KitReading{read(SourceDirect, -110), read(LoadDirect, -172), read(LoadOnCable, -149), cleaned(LoadOnCable, -171), read(Flexing, -170)}, limits.Carrier,
			KitFit, NoPart, 0, -170, []KitAdvice{AdviceContamination, AdviceTestLine}},
		{"cable bad even when clean", []KitReading{read(SourceDirect, -110), read(LoadDirect, -172), read(LoadOnCable, -149), cleaned(LoadOnCable, -150)}, limits.Carrier,
			KitNotFit, TestCable, 0, -150, []KitAdvice{AdviceWithdraw, AdviceDoNotTestLine}},
		{"cable bad only when flexed", []KitReading{read(SourceDirect, -110), read(LoadDirect, -172), read(LoadOnCable, -171), read(Flexing, -140)}, limits.Carrier,
			KitNotFit, TestCable, Flexing, -140, []KitAdvice{AdviceCleanAndRepeat, AdviceDoNotTestLine}},
		{"load bad when clean", []KitReading{read(SourceDirect, -110), read(LoadDirect, -150), cleaned(LoadDirect, -151)}, limits.Carrier,
			KitNotFit, LoadOrAnalyserPort, LoadDirect, 0, []KitAdvice{AdviceTrySecondLoad, AdviceDoNotTestLine}},
		{"second load good", []KitReading{read(SourceDirect, -110), read(LoadDirect, -150), cleaned(LoadDirect, -151), second(LoadDirect, -172)}, limits.Carrier,
			KitNotFit, Load, 0, 0, []KitAdvice{AdviceWithdraw, AdviceDoNotTestLine}},
		{"both loads bad", []KitReading{read(SourceDirect, -110), cleaned(LoadDirect, -151), second(LoadDirect, -150)}, limits.Carrier,
			KitNotFit, AnalyserPort, 0, 0, []KitAdvice{AdviceWithdraw, AdviceDoNotTestLine}},
		{"gone on with the second load", []KitReading{read(SourceDirect, -110), cleaned(LoadDirect, -151), second(LoadDirect, -172), second(LoadOnCable, -171), second(Flexing, -171)}, limits.Carrier,
			KitFit, Load, 0, -171, []KitAdvice{AdviceWithdraw, AdviceTestLine}},
		{"another test power", []KitReading{read(SourceDirect, -110)}, 46, KitIncomplete, NoPart, LoadDirect, 0, []KitAdvice{AdviceOtherPower, AdviceNextStep}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := IsolateKit(tc.readings, tc.carrier, limits)
			if err != nil {
				t.Fatal(err)
			}
			if got.Finding != tc.finding || got.Suspect != tc.suspect || got.Next != tc.next || got.Residual != tc.residual ||
				got.HasResidual != (tc.residual != 0) || !slices.Equal(got.Advice, tc.advice) {
				t.Errorf("IsolateKit(%v) = %+v; want %s, suspect %q, next %v, residual %v, advice %v", tc.readings, got,
					tc.finding, tc.suspect, tc.next, tc.residual, tc.advice)
			}
			for _, a := range got.Advice {
				if KitSentence(a) == "" {
					t.Errorf("advice %s has no sentence", a)
				}
			}
		})
	}
}

func TestBadInputIsAnErrorNeverNaN(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	tr := line(16, 1e6, 0.88, map[float64]float64{3: 0.1})
	broken := line(16, 1e6, 0.88, map[float64]float64{3: 0.1})
	broken.Gamma[3] = complex(nan, 0)
	for name, err := range map[string]error{
		"watts NaN":                second(DBmFromWatts(units.Watts(nan))),
		"watts zero":               second(DBmFromWatts(0)),
		"dBm infinite":             second(WattsFromDBm(units.DBm(inf))),
		"dBm beyond all":           second(WattsFromDBm(1e6)),
		"no tones":                 second(SumOfTones(43, 0)),
		"carrier NaN":              second(DBcFromDBm(-110, units.DBm(nan))),
		"tones equal":              second(Products(900, 900, 5)),
		"tone negative":            second(Products(-900, 950, 5)),
		"order too high":           second(Products(900, 950, 99)),
		"even order":               second(WholeBand(4, Range{900, 960})),
		"band reversed":            second(WholeBand(3, Range{960, 900})),
		"slope NaN":                second(AtPower(-107, 43, 46, nan)),
		"equal powers":             second(Slope(-107, 43, -98, 43)),
		"residual NaN":             second(AtMost(-107, units.DBm(nan))),
		"return loss NaN":          second(Reflection(units.DB(nan))),
		"return loss negative":     second(Reflection(-15)),
		"VSWR under one":           second(ReturnLossFromVSWR(0.9)),
		"VSWR NaN":                 second(ReturnLossFromVSWR(units.VSWR(nan))),
		"reflection negative":      second(ReturnLoss(-0.1)),
		"reflection over one":      second(MismatchLoss(1.01)),
		"loss negative":            second(ReturnLossThroughLine(14, -1)),
		"frequency zero":           second(Attenuation(1, 1, 0)),
		"constant negative":        second(Attenuation(-1, 1, 900)),
		"length negative":          second(LineLoss([]Section{{cables[0], -1}}, 0, 900)),
		"connectors negative":      second(LineLoss(nil, -1, 900)),
		"unknown cable":            second(GenericCable("rope")),
		"colder than any line":     second(ConductorTemperatureFactor(-300)),
		"span zero":                second(Resolution(0, 0.88)),
		"velocity factor zero":     second(Resolution(100, 0)),
		"velocity factor over 1":   second(Resolution(100, 1.1)),
		"one point":                second(LargestDistance(1, 100, 0.88)),
		"distance zero":            second(SpanFor(0, 256, 0.88)),
		"phase slope aliases":      second(DistanceFromPhaseSlope(-200, 1, 0.88)),
		"unknown window":           second(Transform(tr.Gamma, "KAISER", 16)),
		"fewer bins than points":   second(Transform(tr.Gamma, Hann, 8)),
		"trace with a NaN":         second(DistanceProfile(broken, ProfileOptions{VelocityFactor: 0.88, Window: Hann})),
		"no velocity factor":       second(DistanceProfile(tr, ProfileOptions{Window: Hann})),
		"search reversed":          second(DistanceProfile(tr, ProfileOptions{VelocityFactor: 0.88, Window: Hann, From: 5, To: 4})),
		"too many peaks":           second(DistanceProfile(tr, ProfileOptions{VelocityFactor: 0.88, Window: Hann, MaxPeaks: 1000})),
		"empty trace":              second(Trace{Reference: 50}.WorstReturnLoss(Range{1, 2})),
		"reference zero":           second(tr.ReferTo(0)),
		"an open has no impedance": second(Impedance(1, 50)),
		"unknown kit step":         second(IsolateKit([]KitReading{{Step: 9}}, 43, DefaultKitLimits())),
		"kit level NaN":            second(IsolateKit([]KitReading{{Step: 1, Level: units.DBc(nan)}}, 43, DefaultKitLimits())),
		"unknown band":             second(BandByNumber(999)),
	} {
		if errs.ReasonOf(err) == "" || errs.KindOf(err) == errs.Internal {
			t.Errorf("%s: error %v; want a classified one", name, err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestAComparisonAtAnotherPowerIsASpan(t *testing.T) {
	// −107 dBm at 43 dBm is −98 dBm at 46 dBm by the ideal slope 3 (power series)
	// and −100.4 dBm by 2.2 (from memory); downwards the ends change places.
	for _, tc := range []struct{ to, low, high units.DBm }{{46, -100.4, -98}, {33, -137, -129}} {
		low, high, err := SpanAtPower(-107, 43, tc.to)
		if err != nil || math.Abs(float64(low-tc.low)) > 1e-9 || math.Abs(float64(high-tc.high)) > 1e-9 {
			t.Errorf("SpanAtPower(-107, 43, %v) = %v to %v, %v; want %v to %v", tc.to, low, high, err, tc.low, tc.high)
		}
	}
}

func TestReferringToAnotherImpedanceKeepsTheLoad(t *testing.T) {
	r := random()
	for range 500 {
		z := complex(0.1+200*r.Float64(), 200*r.Float64()-100)
		tr := Trace{[]float64{1e9}, []complex128{(z - 75) / (z + 75)}, 75}
		got, err := tr.ReferTo(50)
		if err != nil || cmplx.Abs(got.Gamma[0]-(z-50)/(z+50)) > 1e-13 {
			t.Errorf("%v Ω at 75 referred to 50 Ω = %v, %v; want %v", z, got.Gamma, err, (z-50)/(z+50))
		}
	}
	open, err := Trace{[]float64{1e9, 2e9}, []complex128{1, -1}, 75}.ReferTo(50)
	if err != nil || open.Gamma[0] != 1 || open.Gamma[1] != -1 {
		t.Errorf("open and short referred = %v, %v; want 1 and −1", open.Gamma, err)
	}
	if got, err := (Trace{[]float64{1e9}, []complex128{-5}, 75}).ReferTo(50); !errs.Is(err, "REFLECTION_NOT_REFERABLE") {
		t.Errorf("a load of −50 Ω referred to 50 Ω = %v, %v wants %v; want REFLECTION_NOT_REFERABLE",
			got.Gamma, err, complex(75, 0)*(1-5)/(1+5))
	}
}

func TestWorstReturnLossOfABand(t *testing.T) {
	tr := Trace{[]float64{700e6, 710e6, 720e6, 730e6}, []complex128{0.5, 0.1, 0.2i, 1.1}, 50}
	for _, tc := range []struct {
		band     Range
		at       units.Megahertz
		rl       float64
		has      bool
		points   int
		warnings []string
	}{
		{Range{705, 725}, 720, 13.9794, true, 2, nil}, // |Γ| 0.2
		{Range{710, 720}, 720, 13.9794, true, 2, nil}, // edges count
		{Range{700, 712}, 700, 6.02060, true, 2, nil}, // |Γ| 0.5
		{Range{725, 735}, 730, -0.827854, false, 1, []string{WarnReflectionOver1}},
		{Range{650, 705}, 700, 6.02060, true, 1, []string{WarnBandNotCovered}},
	} {
		got, err := tr.WorstReturnLoss(tc.band)
		var reasons []string
		for _, w := range got.Warnings {
			reasons = append(reasons, w.Reason)
		}
		if err != nil || got.At != tc.at || math.Abs(float64(got.ReturnLoss)-tc.rl) > 1e-4 || got.HasVSWR != tc.has ||
			got.Points != tc.points || !slices.Equal(reasons, tc.warnings) {
			t.Errorf("WorstReturnLoss(%v) = %+v, %v; want %+v", tc.band, got, err, tc)
		}
	}
}

func TestBuiltInCablesSayThatTheyAreNotForAcceptance(t *testing.T) {
	list := GenericCables()
	if len(list) != 4 {
		t.Errorf("%d built-in sizes; want 4", len(list))
	}
	for _, c := range list {
		if c.Source == "" || c.Highest <= 0 || checkVelocityFactor(c.VelocityFactor) != nil {
			t.Errorf("%+v lacks source, highest frequency or velocity factor", c)
		}
	}
	list[0].K1 = 0
	if c, err := GenericCable(list[0].Name); err != nil || c.K1 == 0 {
		t.Errorf("the caller's list changes the table: %+v, %v", c, err)
	}
}

func ExampleErrorBounds() {
	low, high, err := ErrorBounds(10)
	fmt.Printf("%.2f %.2f %v\n", low, high, err)
	// Output: -3.30 2.39 <nil>
}
