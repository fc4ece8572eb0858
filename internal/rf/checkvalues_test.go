package rf

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

type (
	numbers = map[string]float64
	texts   = map[string]string
	// call runs one function on a row's inputs and gives its named results.
	call func(in numbers, text texts) (numbers, texts, error)
)

func yes(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// results joins numbers; infinities go into texts, since JSON has none.
func results(kv ...any) (numbers, texts) {
	n, t := numbers{}, texts{}
	for i := 0; i < len(kv); i += 2 {
		v := kv[i+1].(float64)
		if math.IsInf(v, 0) {
			t[kv[i].(string)] = fmt.Sprintf("%+g", v)
			continue
		}
		n[kv[i].(string)] = v
	}
	return n, t
}

func one[T ~float64](name string, v T, err error) (numbers, texts, error) {
	n, t := results(name, float64(v))
	return n, t, err
}

func two[T ~float64](a, b string, x, y T, err error) (numbers, texts, error) {
	n, t := results(a, float64(x), b, float64(y))
	return n, t, err
}

func mhz(v float64) units.Megahertz { return units.Megahertz(v) }

func hitResult(n numbers, r, uplink Range) {
	n["low"], n["high"] = float64(r.Low), float64(r.High)
	into, ok := r.Overlap(uplink)
	n["hit"] = yes(ok)
	if ok {
		n["hitLow"], n["hitHigh"] = float64(into.Low), float64(into.High)
	}
}

var calls = map[string]call{
	"DBmFromWatts": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := DBmFromWatts(units.Watts(in["watts"]))
		return one("dbm", v, err)
	},
	"WattsFromDBm": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := WattsFromDBm(units.DBm(in["dbm"]))
		return one("watts", v, err)
	},
	"SumOfTones": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := SumOfTones(units.DBm(in["tone"]), int(in["tones"]))
		return one("dbm", v, err)
	},
	"DBcFromDBm": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := DBcFromDBm(units.DBm(in["dbm"]), units.DBm(in["carrier"]))
		return one("dbc", v, err)
	},
	"DBmFromDBc": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := DBmFromDBc(units.DBc(in["dbc"]), units.DBm(in["carrier"]))
		return one("dbm", v, err)
	},
	"CheckPair": func(in numbers, _ texts) (numbers, texts, error) {
		gap, agrees, err := CheckPair(units.DBm(in["dbm"]), units.DBc(in["dbc"]), units.DBm(in["carrier"]))
		n, t := results("gap", float64(gap), "agrees", yes(agrees))
		return n, t, err
	},
	"NearProducts": func(in numbers, _ texts) (numbers, texts, error) {
		l, h, err := NearProducts(mhz(in["f1"]), mhz(in["f2"]), int(in["order"]))
		return two("low", "high", l, h, err)
	},
	"Products": func(in numbers, _ texts) (numbers, texts, error) {
		all, err := Products(mhz(in["f1"]), mhz(in["f2"]), int(in["order"]))
		n := numbers{}
		for _, p := range all {
			if p.M == int(in["m"]) && p.N == int(in["n"]) && p.Order == int(in["order"]) {
				n["frequency"] = float64(p.Frequency)
			}
		}
		return n, nil, err
	},
	"ProductSpacing": func(in numbers, _ texts) (numbers, texts, error) {
		l3, _, err := NearProducts(mhz(in["f1"]), mhz(in["f2"]), 3)
		if err != nil {
			return nil, nil, err
		}
		l5, _, err := NearProducts(mhz(in["f1"]), mhz(in["f2"]), 5)
		return one("step", l3-l5, err)
	},
	"CarrierProduct": func(in numbers, _ texts) (numbers, texts, error) {
		c, _, err := CarrierProduct(Carrier{mhz(in["f1"]), mhz(in["b1"])}, int(in["m"]), Carrier{mhz(in["f2"]), mhz(in["b2"])}, int(in["n"]))
		return one("bandwidth", c.Bandwidth, err)
	},
	"CarrierProductHit": func(in numbers, _ texts) (numbers, texts, error) {
		a, b := Carrier{mhz(in["f1"]), mhz(in["b1"])}, Carrier{mhz(in["f2"]), mhz(in["b2"])}
		c, r, err := CarrierProduct(a, int(in["m"]), b, int(in["n"]))
		n, t := results("centre", float64(c.Centre), "bandwidth", float64(c.Bandwidth))
		hitResult(n, r, Range{mhz(in["upLow"]), mhz(in["upHigh"])})
		if again, err := ProductRange(a.Range(), int(in["m"]), b.Range(), int(in["n"])); err != nil || again != r {
			return nil, nil, fmt.Errorf("the edges by ranges are %v, %w; by bandwidth %v", again, err, r)
		}
		return n, t, err
	},
	"BandByNumber": func(in numbers, _ texts) (numbers, texts, error) {
		b, err := BandByNumber(int(in["band"]))
		n, t := results("upLow", float64(b.Uplink.Low), "upHigh", float64(b.Uplink.High), "downLow", float64(b.Downlink.Low), "downHigh", float64(b.Downlink.High))
		return n, t, err
	},
	"WholeBand": func(in numbers, _ texts) (numbers, texts, error) {
		b, err := BandByNumber(int(in["band"]))
		if err != nil {
			return nil, nil, err
		}
		r, err := WholeBand(int(in["order"]), b.Downlink)
		n := numbers{}
		hitResult(n, r, b.Uplink)
		return n, nil, err
	},
	"TwoBands": func(in numbers, _ texts) (numbers, texts, error) {
		a, err := BandByNumber(int(in["a"]))
		if err != nil {
			return nil, nil, err
		}
		b, err := BandByNumber(int(in["b"]))
		if err != nil {
			return nil, nil, err
		}
		up, err := BandByNumber(int(in["uplink"]))
		if err != nil {
			return nil, nil, err
		}
		r, err := ProductRange(a.Downlink, int(in["m"]), b.Downlink, int(in["n"]))
		n := numbers{}
		hitResult(n, r, up.Uplink)
		return n, nil, err
	},
	"AtPower": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := AtPower(units.DBm(in["level"]), units.DBm(in["from"]), units.DBm(in["to"]), in["slope"])
		return one("dbm", v, err)
	},
	"ToneMoved": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ToneMoved(units.DBm(in["level"]), int(in["m"]), int(in["n"]), units.DB(in["d1"]), units.DB(in["d2"]))
		return one("dbm", v, err)
	},
	"ChangeInDBc": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ChangeInDBc(units.DB(in["change"]), in["slope"])
		return one("db", v, err)
	},
	"Slope": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := Slope(units.DBm(in["level1"]), units.DBm(in["power1"]), units.DBm(in["level2"]), units.DBm(in["power2"]))
		return one("slope", v, err)
	},
	"ErrorBounds": func(in numbers, _ texts) (numbers, texts, error) {
		l, h, err := ErrorBounds(units.DB(in["d"]))
		n, t := results("low", float64(l), "high", float64(h), "spread", float64(h-l), "under1", yes(h < 1 && l > -1))
		return n, t, err
	},
	"TrueBounds": func(in numbers, _ texts) (numbers, texts, error) {
		l, h, err := TrueBounds(units.DBm(in["reading"]), units.DBm(in["residual"]))
		return two("low", "high", l, h, err)
	},
	"ProvenPass": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ProvenPass(units.DBm(in["limit"]), units.DBm(in["residual"]))
		return one("dbm", v, err)
	},
	"AtMost": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := AtMost(units.DBm(in["reading"]), units.DBm(in["residual"]))
		return one("dbm", v, err)
	},
	"JudgeLevel": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := JudgeLevel(units.DBm(in["reading"]), units.DBm(in["residual"]), units.DBm(in["limit"]))
		name := map[LevelAgainstLimit]string{Inside: "Inside", InsideAtMost: "InsideAtMost", NotProven: "NotProven",
			Outside: "Outside", OutsideByLess: "OutsideByLess", NotMeasurable: "NotMeasurable"}[v.Finding]
		return numbers{}, texts{"finding": name}, err
	},
	"ReturnLossReadings": func(in numbers, _ texts) (numbers, texts, error) {
		l, h, err := ReturnLossReadings(units.DB(in["rl"]), units.DB(in["directivity"]))
		return two("low", "high", l, h, err)
	},
	"ReturnLossReadingsWithMatch": func(in numbers, _ texts) (numbers, texts, error) {
		l, h, err := ReturnLossReadingsWithMatch(units.DB(in["rl"]), units.DB(in["directivity"]), units.DB(in["match"]))
		return two("low", "high", l, h, err)
	},
	"FromReturnLoss": func(in numbers, _ texts) (numbers, texts, error) {
		rl := units.DB(in["rl"])
		g, err := Reflection(rl)
		if err != nil {
			return nil, nil, err
		}
		v, err := VSWR(rl)
		if err != nil {
			return nil, nil, err
		}
		p, err := ReflectedPower(g)
		if err != nil {
			return nil, nil, err
		}
		m, err := MismatchLoss(g)
		n, t := results("reflection", g, "vswr", float64(v), "power", float64(p), "mismatch", float64(m))
		return n, t, err
	},
	"FromVSWR": func(in numbers, _ texts) (numbers, texts, error) {
		rl, err := ReturnLossFromVSWR(units.VSWR(in["vswr"]))
		if err != nil {
			return nil, nil, err
		}
		g, err := ReflectionFromVSWR(units.VSWR(in["vswr"]))
		if err != nil {
			return nil, nil, err
		}
		m, err := MismatchLoss(g)
		n, t := results("rl", float64(rl), "reflection", g, "mismatch", float64(m))
		return n, t, err
	},
	"FromReflection": func(in numbers, _ texts) (numbers, texts, error) {
		rl, err := ReturnLoss(in["reflection"])
		if err != nil {
			return nil, nil, err
		}
		v, err := VSWRFromReflection(in["reflection"])
		if err != nil {
			return nil, nil, err
		}
		m, err := MismatchLoss(in["reflection"])
		n, t := results("rl", float64(rl), "vswr", float64(v), "mismatch", float64(m))
		return n, t, err
	},
	"ReturnLoss": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ReturnLoss(in["reflection"])
		return one("rl", v, err)
	},
	"VSWRFromReflection": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := VSWRFromReflection(in["reflection"])
		return one("vswr", v, err)
	},
	"Attenuation": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := Attenuation(in["k1"], in["k2"], mhz(in["mhz"]))
		return one("loss", v, err)
	},
	"CableAttenuation": func(in numbers, text texts) (numbers, texts, error) {
		c, err := GenericCable(text["cable"])
		if err != nil {
			return nil, nil, err
		}
		v, err := c.Attenuation(mhz(in["mhz"]))
		return one("loss", v, err)
	},
	"ConnectorPairLoss": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ConnectorPairLoss(mhz(in["mhz"]))
		return one("db", v, err)
	},
	"LineLoss": func(in numbers, _ texts) (numbers, texts, error) {
		main, err := GenericCable("7/8 inch")
		if err != nil {
			return nil, nil, err
		}
		jumper, err := GenericCable("1/2 inch")
		if err != nil {
			return nil, nil, err
		}
		v, err := LineLoss([]Section{{main, units.Meters(in["m78"])}, {jumper, units.Meters(in["m12"])}}, int(in["pairs"]), mhz(in["mhz"]))
		return one("db", v, err)
	},
	"ConductorTemperatureFactor": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ConductorTemperatureFactor(units.Celsius(in["celsius"]))
		return one("factor", v, err)
	},
	"FieldTemperatureFactor": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := FieldTemperatureFactor(units.Celsius(in["celsius"]))
		return one("factor", v, err)
	},
	"LossFromShort": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := LossFromShort(units.DB(in["peak"]), units.DB(in["trough"]))
		return one("db", v, err)
	},
	"ReturnLossThroughLine": func(in numbers, _ texts) (numbers, texts, error) {
		rl, err := ReturnLossThroughLine(units.DB(in["rl"]), units.DB(in["loss"]))
		if err != nil {
			return nil, nil, err
		}
		v, err := VSWR(rl)
		n, t := results("rl", float64(rl), "vswr", float64(v))
		return n, t, err
	},
	"FarEndReturnLoss": func(in numbers, _ texts) (numbers, texts, error) {
		rl, ok, err := FarEndReturnLoss(units.DB(in["rl"]), units.DB(in["loss"]))
		n, t := results("rl", float64(rl), "judgeable", yes(ok))
		return n, t, err
	},
	"TwoReflections": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := TwoReflections(units.DB(in["rl1"]), units.DB(in["rl2"]), units.DB(in["loss"]))
		return one("rl", v, err)
	},
	"Resolution": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := Resolution(mhz(in["span"]), units.VelocityFactor(in["vf"]))
		return one("m", v, err)
	},
	"RoundedResolution": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := Resolution(mhz(in["span"]), units.VelocityFactor(in["vf"]))
		rounded := 1.5e8 * in["vf"] / (in["span"] * 1e6)
		n, t := results("m", rounded, "percent", (rounded/float64(v)-1)*100)
		return n, t, err
	},
	"LargestDistance": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := LargestDistance(int(in["points"]), mhz(in["span"]), units.VelocityFactor(in["vf"]))
		return one("m", v, err)
	},
	"SpanFor": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := SpanFor(units.Meters(in["m"]), int(in["points"]), units.VelocityFactor(in["vf"]))
		if err != nil {
			return nil, nil, err
		}
		// The fewest points for that distance and span are the points given.
		n, err := PointsFor(units.Meters(in["m"]), v, units.VelocityFactor(in["vf"]))
		if err != nil || n != int(in["points"]) {
			return nil, nil, fmt.Errorf("PointsFor gives %d, %w; want %v", n, err, in["points"])
		}
		return one("span", v, err)
	},
	"RoundTripDelay": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := RoundTripDelay(units.Meters(in["m"]), units.VelocityFactor(in["vf"]))
		return one("ns", v, err)
	},
	"PhaseSlope": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := PhaseSlope(units.Meters(in["m"]), units.VelocityFactor(in["vf"]))
		return one("slope", v, err)
	},
	"DistanceFromPhaseSlope": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := DistanceFromPhaseSlope(in["slope"], mhz(in["step"]), units.VelocityFactor(in["vf"]))
		return one("m", v, err)
	},
	"PhaseLimit": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := PhaseLimit(mhz(in["step"]), units.VelocityFactor(in["vf"]))
		return one("m", v, err)
	},
	"WithVelocityFactor": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := WithVelocityFactor(units.Meters(in["m"]), units.VelocityFactor(in["set"]), units.VelocityFactor(in["right"]))
		return one("m", v, err)
	},
	"ReturnLossAtFault": func(in numbers, _ texts) (numbers, texts, error) {
		v, err := ReturnLossAtFault(units.DB(in["rl"]), units.Meters(in["m"]), units.DBPerHundredMeter(in["loss"]))
		return one("rl", v, err)
	},
	"Window": windowFigures,
	"Separation": func(in numbers, text texts) (numbers, texts, error) {
		v, err := Setup{1000, mhz(1000 + in["span"]), 501, units.VelocityFactor(in["vf"]), Window(text["window"])}.Separation()
		return one("m", v, err)
	},
	"Transform": transformFigures,
	"IsolateKit": func(in numbers, _ texts) (numbers, texts, error) {
		var readings []KitReading
		for step := SourceDirect; step <= Flexing; step++ {
			if v, ok := in[fmt.Sprintf("step%d", int(step))]; ok {
				readings = append(readings, KitReading{Step: step, Level: units.DBc(v)})
			}
		}
		c, err := IsolateKit(readings, DefaultKitLimits().Carrier, DefaultKitLimits())
		n := numbers{"failed": float64(c.Failed)}
		if c.HasResidual {
			n["residual"] = float64(c.Residual)
		}
		return n, texts{"finding": string(c.Finding), "suspect": string(c.Suspect)}, err
	},
	"KitFitForLimit": func(in numbers, _ texts) (numbers, texts, error) {
		m, fit, err := KitFitForLimit(units.DBc(in["residual"]), units.DBc(in["limit"]))
		n, t := results("margin", float64(m), "fit", yes(fit))
		return n, t, err
	},
}

// windowFigures measures a window by brute force from its weights, and checks
// the widths that the program carries against that.
func windowFigures(in numbers, text texts) (numbers, texts, error) {
	w := Window(text["window"])
	weights, err := w.Weights(int(in["points"]))
	if err != nil {
		return nil, nil, err
	}
	var sum, squares float64
	for _, v := range weights {
		sum += v
		squares += v * v
	}
	level := func(bin float64) float64 {
		var s complex128
		for i, v := range weights {
			s += complex(v, 0) * cmplx.Exp(complex(0, 2*math.Pi*bin*float64(i)/float64(len(weights))))
		}
		return cmplx.Abs(s) / sum
	}
	width := func(db float64) float64 {
		low, high := 0.0, 2.0
		for range 50 {
			if mid := (low + high) / 2; level(mid) > math.Pow(10, -db/20) {
				low = mid
			} else {
				high = mid
			}
		}
		return 2 * low
	}
	six, three := width(6), width(3)
	if math.Abs(six-w.SixDBWidth()) > 1e-5 || math.Abs(three-w.ThreeDBWidth()) > 1e-5 {
		return nil, nil, fmt.Errorf("measured widths %v and %v; the program carries %v and %v", six, three, w.SixDBWidth(), w.ThreeDBWidth())
	}
	n, t := results("sixDB", six, "threeDB", three, "noise", float64(len(weights))*squares/(sum*sum),
		"widening", six/Rectangular.SixDBWidth(), "halfBin", -20*math.Log10(level(0.5)), "sideLobe", w.HighestSideLobe())
	return n, t, nil
}

// transformFigures makes the synthetic sweep of 256 points from 700 to 955 MHz
// with up to two reflectors and gives what the transform shows.
func transformFigures(in numbers, text texts) (numbers, texts, error) {
	vf := units.VelocityFactor(in["vf"])
	length, err := Resolution(1, vf) // c·Vf/(2·step), step 1 MHz
	if err != nil {
		return nil, nil, err
	}
	const points = 256
	bin := float64(length) / points
	n, t := results("bin", bin, "length", float64(length), "atM", in["at"]*bin)
	gamma := make([]complex128, points)
	for i := range gamma {
		f := 700e6 + float64(i)*1e6
		for _, j := range []string{"0", "1"} {
			d := in["bins"+j] * bin
			gamma[i] += complex(in["a"+j], 0) * cmplx.Exp(complex(0, -4*math.Pi*f*d/(SpeedOfLight*float64(vf))))
		}
	}
	profile, err := Transform(gamma, Window(text["window"]), points)
	if err != nil {
		return nil, nil, err
	}
	best := 0
	for k, v := range profile {
		n[fmt.Sprintf("p%d", k)] = v
		n[fmt.Sprintf("rl%d", k)] = float64(returnLoss(v))
		if v > profile[best]+1e-9 {
			best = k
		}
	}
	n["peak"] = float64(best)
	return n, t, nil
}

func TestEveryCheckValue(t *testing.T) {
	for _, r := range checkvalues.Load(t, "rf") {
		t.Run(r.Function+"/"+r.Case, func(t *testing.T) {
			f, ok := calls[r.Function]
			if !ok {
				t.Fatalf("no such function: %s", r.Function)
			}
			got, gotText, err := f(r.In, r.Text)
			if r.WantError != "" {
				if !errs.Is(err, r.WantError) {
					t.Errorf("%s(%v %v) = %v, %v; want reason %s", r.Function, r.In, r.Text, got, err, r.WantError)
				}
				return
			}
			if err != nil {
				t.Fatalf("%s(%v %v) failed: %v", r.Function, r.In, r.Text, err)
			}
			for name, want := range r.Want {
				room := r.Tolerance
				if r.Relative {
					room *= math.Abs(want)
					if want == 0 {
						room = 1e-9
					}
				}
				g, ok := got[name]
				if !ok || !(math.Abs(g-want) <= room) {
					t.Errorf("%s(%v %v): %s = %v (present: %v); want %v ± %v (%s, %s)", r.Function, r.In, r.Text, name, g, ok, want, room, r.Source, r.Status)
				}
			}
			for name, want := range r.WantText {
				if gotText[name] != want {
					t.Errorf("%s(%v %v): %s = %q; want %q (%s)", r.Function, r.In, r.Text, name, gotText[name], want, r.Source)
				}
			}
		})
	}
}
