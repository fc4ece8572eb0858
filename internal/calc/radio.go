package calc

import (
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/errs"
	"witnessmark/internal/rf"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// Domains of what is read here; the physics narrows them where it must.
var (
	levelDBm  = working.Domain{Min: -200, Max: 100, Unit: "dBm"}
	positive  = working.Domain{Min: 0, Max: 200, Unit: "dB"}
	megahertz = working.Domain{Min: 0, MinOpen: true, Max: 1e6, Unit: "MHz"}
	metres    = working.Domain{Min: 0, Max: 1e5, Unit: "m"}
)

var (
	decibelDefinition = working.Source{Document: "definition of the decibel", Status: working.Computed}
	lineTheory        = working.Source{Document: "transmission line theory", Status: working.Computed}
	bandEdges         = working.Source{Document: "3GPP TS 36.104", Clause: "table 5.5-1, band edges", Status: working.Confirmed}
	residualCurve     = working.Source{Document: "IEC 62037-1", Clause: "error curve as quoted in open texts; residual at least 10 dB under the limit", Status: working.Confirmed}
	ownersLimit       = "The owner's written limit wins over every default."
)

// mostBands is how many bands one plan may hold: pairs and uplinks multiply.
const mostBands = 12

// band is one transmitted or received range with the words that name it.
type band struct {
	name string
	r    rf.Range
}

// readBands turns the plan's band numbers and free ranges into two lists.
func readBands(v values) (down, up []band, err error) {
	for _, n := range v.list("bands") {
		b, err := rf.BandByNumber(int(n))
		if err != nil {
			return nil, nil, errs.Field("BAND_UNKNOWN", "bands", "band "+strconv.Itoa(int(n))+" is not in the table; give its edges in downlinks and uplinks").Because(err)
		}
		name := "band " + strconv.Itoa(b.Number)
		down = append(down, band{name, b.Downlink})
		up = append(up, band{name, b.Uplink})
	}
	free := func(name string) ([]band, error) {
		var out []band
		for _, text := range v.words[name] {
			low, high, ok := strings.Cut(text, "-")
			p := num(name, "", megahertz)
			l, err1 := number(p, strings.TrimSpace(low))
			h, err2 := number(p, strings.TrimSpace(high))
			if !ok || err1 != nil || err2 != nil || l > h {
				return nil, errs.Field("NOT_A_RANGE", name, "must be written as low-high in MHz, like 925-960", "value", cut(text, 64))
			}
			out = append(out, band{working.Format(l) + "-" + working.Format(h) + " MHz", rf.Range{Low: units.Megahertz(l), High: units.Megahertz(h)}})
		}
		return out, nil
	}
	moreDown, err := free("downlinks")
	if err != nil {
		return nil, nil, err
	}
	moreUp, err := free("uplinks")
	if err != nil {
		return nil, nil, err
	}
	down, up = append(down, moreDown...), append(up, moreUp...)
	switch {
	case len(down) == 0 || len(up) == 0:
		return nil, nil, errs.Field("PARAMETER_MISSING", "bands", "must name at least one band, or downlinks and uplinks must give ranges")
	case len(down) > mostBands || len(up) > mostBands:
		return nil, nil, errs.Field("LIST_TOO_LONG", "bands", "must be at most "+strconv.Itoa(mostBands)+" with the ranges")
	}
	return down, up, nil
}

func bandHits(v values) (working.Working, error) {
	down, up, err := readBands(v)
	if err != nil {
		return working.Working{}, err
	}
	order := v.whole("max_order")
	w := working.Working{
		Formula: "intermodulation of whole bands: k*A - (k-1)*B against every receive band",
		Sources: []working.Source{
			{Document: "IEC 62037-1", Clause: "products and their orders, read in an open text", Status: working.Confirmed},
			bandEdges,
		},
		Cautions: []string{
			"Whole bands were used: what a licence really transmits may miss a hit that stands here.",
			"A product that misses every receive band still shows a bad joint.",
		},
		LeftOut: []string{"products of three or more bands", "even orders, sums and harmonics", "transmitters that were not entered"},
	}
	for _, d := range down {
		w.Inputs = append(w.Inputs, mhz("transmits, "+d.name, d.r))
	}
	for _, u := range up {
		w.Inputs = append(w.Inputs, mhz("receives, "+u.name, u.r))
	}
	w.Inputs = append(w.Inputs, working.Term{Name: "highest order", Value: strconv.Itoa(order)})
	add := func(from string, into band, hits []rf.Hit) {
		for _, h := range hits {
			product := strings.NewReplacer("−", "-", "·", "*", "′", "'").Replace(h.From)
			w.Result = append(w.Result, mhz("order "+strconv.Itoa(h.Order)+", "+product+" of "+from+", into the receive band of "+into.name, h.Into))
		}
	}
	for i, a := range down {
		for _, u := range up {
			hits, err := rf.WholeBandHits(a.r, u.r, order)
			if err != nil {
				return working.Working{}, err
			}
			add(a.name, u, hits)
			for _, b := range down[i+1:] {
				hits, err := rf.TwoBandHits(a.r, b.r, u.r, order)
				if err != nil {
					return working.Working{}, err
				}
				add("A = "+a.name+", B = "+b.name, u, hits)
			}
		}
	}
	if len(w.Result) == 0 {
		w.Result = []working.Term{working.Words("hits", "none up to this order, from the bands entered")}
	}
	return w, nil
}

func mhz(name string, r rf.Range) working.Term {
	return working.Term{Name: name, Value: working.Format(float64(r.Low)) + " to " + working.Format(float64(r.High)), Unit: "MHz"}
}

func products(v values) (working.Working, error) {
	f1, f2 := units.Megahertz(v.number("tone1_mhz")), units.Megahertz(v.number("tone2_mhz"))
	w := working.Working{
		Formula: "products beside two tones: k*f1 - (k-1)*f2 and k*f2 - (k-1)*f1",
		Inputs:  []working.Term{working.Number("first tone", "f1", float64(f1), "MHz"), working.Number("second tone", "f2", float64(f2), "MHz")},
		Sources: []working.Source{{Document: "IEC 62037-1", Clause: "products and their orders, read in an open text", Status: working.Confirmed}},
		LeftOut: []string{"even orders, sums and harmonics"},
	}
	for order := 3; order <= v.whole("max_order"); order += 2 {
		low, high, err := rf.NearProducts(f1, f2, order)
		if err != nil {
			return working.Working{}, err
		}
		w.Result = append(w.Result,
			working.Number("order "+strconv.Itoa(order)+", below", "", math.Abs(float64(low)), "MHz"),
			working.Number("order "+strconv.Itoa(order)+", above", "", float64(high), "MHz"))
	}
	return w, nil
}

func levels(v values) (working.Working, error) {
	watts := v.number("carrier_watts")
	carrier, err := rf.DBmFromWatts(units.Watts(watts))
	if err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula:  "level against ONE carrier: dBc = dBm - carrier in dBm",
		Inputs:   []working.Term{working.Number("power of one carrier", "P", watts, "W")},
		Steps:    []working.Term{working.Number("power of one carrier, 10*log10(P/0.001)", "", float64(carrier), "dBm")},
		Sources:  []working.Source{{Document: "IEC 62037-1", Clause: "level relative to one carrier", Status: working.Confirmed}, decibelDefinition},
		Cautions: []string{"The reference is one carrier, never the sum of both.", "A level in dBc alone cannot be turned back without the carrier's power."},
	}
	dBm, dBc := v.given("level_dbm"), v.given("level_dbc")
	switch {
	case dBm != nil && dBc != nil:
		w.Inputs = append(w.Inputs, working.Number("level", "", *dBm, "dBm"), working.Number("level", "", *dBc, "dBc"))
		gap, agrees, err := rf.CheckPair(units.DBm(*dBm), units.DBc(*dBc), carrier)
		if err != nil {
			return working.Working{}, err
		}
		words := "the pair agrees within 0.2 dB"
		if !agrees {
			words = "THE PAIR DIFFERS by more than 0.2 dB: one of the two, or the carrier's power, is wrong"
		}
		w.Result = []working.Term{working.Number("gap", "", float64(gap), "dB"), working.Words("pair", words)}
	case dBm != nil:
		c, err := rf.DBcFromDBm(units.DBm(*dBm), carrier)
		if err != nil {
			return working.Working{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("level", "", *dBm, "dBm"))
		w.Result = []working.Term{working.Number("level", "", float64(c), "dBc")}
	case dBc != nil:
		m, err := rf.DBmFromDBc(units.DBc(*dBc), carrier)
		if err != nil {
			return working.Working{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("level", "", *dBc, "dBc"))
		w.Result = []working.Term{working.Number("level", "", float64(m), "dBm")}
	default:
		return working.Working{}, errs.Field("PARAMETER_MISSING", "level_dbm", "must be given, or level_dbc, or both to compare them")
	}
	return w, nil
}

func residualBound(v values) (working.Working, error) {
	reading, residual := units.DBm(v.number("reading_dbm")), units.DBm(v.number("residual_dbm"))
	w := working.Working{
		Formula: "true level behind a reading: 20*log10(10^(M/20) -/+ 10^(R/20)), phase unknown",
		Inputs: []working.Term{
			working.Number("reading", "M", float64(reading), "dBm"),
			working.Number("residual of the kit", "R", float64(residual), "dBm"),
		},
		Steps:    []working.Term{working.Number("reading over residual", "D", float64(reading-residual), "dB")},
		Sources:  []working.Source{residualCurve},
		Cautions: []string{"Worst case over the phase: the true level lies between the two, nobody knows where.", ownersLimit},
		LeftOut:  []string{"error of the receiver itself", "movement of cables between self-check and reading"},
	}
	atMost, err := rf.AtMost(reading, residual)
	if err != nil {
		return working.Working{}, err
	}
	if reading > residual {
		low, high, err := rf.TrueBounds(reading, residual)
		if err != nil {
			return working.Working{}, err
		}
		w.Result = []working.Term{working.Number("true level, lowest", "", float64(low), "dBm"), working.Number("true level, highest", "", float64(high), "dBm")}
		if units.DB(reading-residual) < rf.ResidualMargin {
			w.Cautions = append(w.Cautions, "The reading is less than 10 dB over the residual: the kit decides as much as the line.")
		}
	} else {
		w.Result = []working.Term{
			working.Words("true level, lowest", "no bound: the reading is at or under the residual"),
			working.Number("true level, at most", "", float64(atMost), "dBm"),
		}
	}
	if limit := v.given("limit_dbm"); limit != nil {
		j, err := rf.JudgeLevel(reading, residual, units.DBm(*limit))
		if err != nil {
			return working.Working{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("limit", "", *limit, "dBm"))
		w.Steps = append(w.Steps, working.Number("residual under the limit", "", float64(j.MarginOfKit), "dB"))
		if !j.KitFit {
			w.Cautions = append(w.Cautions, "The residual is less than 10 dB under the limit: the kit is not fit for this limit.")
		}
		w.Result = append(w.Result, working.Words("against the limit", map[rf.LevelAgainstLimit]string{
			rf.Inside:        "inside, whatever the phase",
			rf.InsideAtMost:  "inside, shown as 'at most'",
			rf.NotProven:     "the reading is inside, the highest true level is not: not proven",
			rf.Outside:       "OVER THE LIMIT, whatever the phase",
			rf.OutsideByLess: "OVER THE LIMIT by less than the residual could add",
			rf.NotMeasurable: "not measurable with this residual",
		}[j.Finding]))
	}
	return w, nil
}

// bound is a term for a value in dB that may have no upper end.
func bound(name, symbol string, v float64, unit string) working.Term {
	if math.IsInf(v, 0) {
		return working.Term{Name: name, Symbol: symbol, Value: "no upper bound"}
	}
	return working.Number(name, symbol, v, unit)
}

func directivityBound(v values) (working.Working, error) {
	reading, d := units.DB(v.number("reading_db")), units.DB(v.number("directivity_db"))
	match := units.DB(math.Inf(1))
	w := working.Working{
		Formula: "true return loss behind a reading: |m - d| and m + d as reflections, with the share of the source match",
		Inputs: []working.Term{
			working.Number("return loss as read", "m", float64(reading), "dB"),
			working.Number("directivity", "d", float64(d), "dB"),
		},
		Sources:  []working.Source{{Document: "reflections added in worst-case phase", Status: working.Computed}},
		Cautions: []string{"Directivity should be at least 10 dB better than the return loss to be judged (common practice).", ownersLimit},
		LeftOut:  []string{"reflection tracking", "movement of cables after calibration"},
	}
	if s := v.given("source_match_db"); s != nil {
		match = units.DB(*s)
		w.Inputs = append(w.Inputs, working.Number("source match", "", *s, "dB"))
	} else {
		w.LeftOut = append(w.LeftOut, "source match")
	}
	low, high, err := rf.TrueReturnLoss(reading, d, match)
	if err != nil {
		return working.Working{}, err
	}
	w.Steps = []working.Term{working.Number("directivity over reading", "", float64(d-reading), "dB")}
	w.Result = []working.Term{working.Number("true return loss, lowest", "", float64(low), "dB"), bound("true return loss, highest", "", float64(high), "dB")}
	if d-reading < rf.DirectivityMargin {
		w.Cautions = append(w.Cautions, "Here the margin is LESS than 10 dB.")
	}
	if limit := v.given("limit_db"); limit != nil {
		w.Inputs = append(w.Inputs, working.Number("lowest return loss allowed", "", *limit, "dB"))
		words := "inside, whatever the phase"
		switch {
		case float64(high) < *limit:
			words = "UNDER THE LIMIT, whatever the phase"
		case float64(reading) < *limit:
			words = "UNDER THE LIMIT by less than the directivity could take"
		case float64(low) < *limit:
			words = "the reading is inside, the lowest true value is not: not proven"
		}
		w.Result = append(w.Result, working.Words("against the limit", words))
	}
	return w, nil
}

func returnLoss(v values) (working.Working, error) {
	rl, vs, g := v.given("return_loss_db"), v.given("vswr"), v.given("reflection")
	w := working.Working{
		Formula: "|reflection| = (VSWR-1)/(VSWR+1), return loss = -20*log10|reflection|",
		Sources: []working.Source{lineTheory},
	}
	given := 0
	var reflection float64
	var err error
	if rl != nil {
		given++
		w.Inputs = append(w.Inputs, working.Number("return loss", "", *rl, "dB"))
		reflection, err = rf.Reflection(units.DB(*rl))
	}
	if vs != nil {
		given++
		w.Inputs = append(w.Inputs, working.Number("VSWR", "", *vs, ""))
		reflection, err = rf.ReflectionFromVSWR(units.VSWR(*vs))
	}
	if g != nil {
		given++
		w.Inputs = append(w.Inputs, working.Number("reflection", "", *g, ""))
		reflection = *g
	}
	if given != 1 {
		return working.Working{}, errs.Field("ONE_OF_THREE", "return_loss_db", "exactly one of return_loss_db, vswr and reflection must be given", "given", strconv.Itoa(given))
	}
	if err != nil {
		return working.Working{}, err
	}
	outRL, err := rf.ReturnLoss(reflection)
	if err != nil {
		return working.Working{}, err
	}
	outVSWR, err := rf.VSWRFromReflection(reflection)
	if err != nil {
		return working.Working{}, err
	}
	mismatch, err := rf.MismatchLoss(reflection)
	if err != nil {
		return working.Working{}, err
	}
	power, err := rf.ReflectedPower(reflection)
	if err != nil {
		return working.Working{}, err
	}
	w.Result = []working.Term{
		bound("return loss", "", float64(outRL), "dB"),
		bound("VSWR", "", float64(outVSWR), ""),
		working.Number("reflection", "", reflection, ""),
		bound("mismatch loss", "", float64(mismatch), "dB"),
		working.Number("power reflected", "", float64(power), "%"),
	}
	return w, nil
}

func lineLoss(v values) (working.Working, error) {
	if err := v.sameLength("cables", "lengths_metres"); err != nil {
		return working.Working{}, err
	}
	f := units.Megahertz(v.number("frequency_mhz"))
	pairs := v.whole("connector_pairs")
	w := working.Working{
		Formula: "line loss, one way at 20 C: sum of length/100 * (k1*sqrt(f) + k2*f) and 0.05*sqrt(f) for each mated pair, f in GHz",
		Inputs:  []working.Term{working.Number("frequency", "f", float64(f), "MHz"), {Name: "mated pairs", Value: strconv.Itoa(pairs)}},
		Sources: []working.Source{
			{Document: "cable makers' data sheets; the constants of the generic sizes", Status: working.FromMemory},
			{Document: "0.05*sqrt(f) dB for each mated pair; open connector specifications use the form", Status: working.CommonPractice},
		},
		Cautions: []string{"The generic constants show a mistake; they do not accept a line: the data sheet of the cable wins.", ownersLimit},
		LeftOut:  []string{"temperature other than 20 C", "lightning protectors, splitters, combiners", "ageing, bends, water"},
	}
	var sections []rf.Section
	for i, name := range v.words["cables"] {
		c, err := rf.GenericCable(name)
		if err != nil {
			return working.Working{}, err
		}
		s := rf.Section{Cable: c, Length: units.Meters(v.list("lengths_metres")[i])}
		sections = append(sections, s)
		one, err := rf.LineLoss([]rf.Section{s}, 0, f)
		if err != nil {
			return working.Working{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("length of "+name, "", float64(s.Length), "m"))
		w.Steps = append(w.Steps, working.Number("loss of "+name, "", float64(one), "dB"))
	}
	total, err := rf.LineLoss(sections, pairs, f)
	if err != nil {
		return working.Working{}, err
	}
	pair, err := rf.ConnectorPairLoss(f)
	if err != nil {
		return working.Working{}, err
	}
	w.Steps = append(w.Steps, working.Number("loss of one mated pair", "", float64(pair), "dB"))
	w.Result = []working.Term{working.Number("loss of the line, one way", "L", float64(total), "dB")}
	if rl := v.given("return_loss_db"); rl != nil {
		far, judgeable, err := rf.FarEndReturnLoss(units.DB(*rl), total)
		if err != nil {
			return working.Working{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("return loss read at the near end", "", *rl, "dB"))
		w.Result = append(w.Result, working.Number("return loss at the far end, near end - 2*L", "", float64(far), "dB"))
		if !judgeable {
			w.Cautions = append(w.Cautions, "The line's loss hides the far end: an open or a short there would read the same. Nothing is said of the antenna.")
		}
	}
	return w, nil
}

func distanceSetup(v values) (working.Working, error) {
	s := rf.Setup{Start: units.Megahertz(v.number("start_mhz")), Stop: units.Megahertz(v.number("stop_mhz")), Points: v.whole("points"),
		VelocityFactor: units.VelocityFactor(v.number("velocity_factor")), Window: rf.Window(v.word("window"))}
	if err := s.Check(); err != nil {
		return working.Working{}, err
	}
	resolution, err := s.Resolution()
	if err != nil {
		return working.Working{}, err
	}
	separation, err := s.Separation()
	if err != nil {
		return working.Working{}, err
	}
	largest, err := s.LargestDistance()
	if err != nil {
		return working.Working{}, err
	}
	reach, apart := units.Meters(v.number("line_metres")), units.Meters(v.number("apart_metres"))
	warnings, err := s.WarningsFor(reach, apart)
	if err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula: "distance to fault: resolution c*Vf/(2*span), largest distance (points-1) times that",
		Inputs: []working.Term{
			working.Number("sweep from", "", float64(s.Start), "MHz"), working.Number("sweep to", "", float64(s.Stop), "MHz"),
			{Name: "points", Value: strconv.Itoa(s.Points)}, working.Number("velocity factor", "Vf", float64(s.VelocityFactor), ""),
			working.Words("window", string(s.Window)),
		},
		Steps: []working.Term{working.Number("span", "", float64(s.Span()), "MHz"), working.Number("step", "", float64(s.Step()), "MHz")},
		Result: []working.Term{
			working.Number("resolution, one bin", "", float64(resolution), "m"),
			working.Number("two faults told apart from, with this window", "", float64(separation), "m"),
			working.Number("largest distance", "", float64(largest), "m"),
		},
		Sources:  []working.Source{{Document: "Fourier transform of a sweep, c = 299792458 m/s", Status: working.Computed}},
		Cautions: []string{"Some instruments halve the range: compare distances only with velocity factor, points, span and convention on record."},
		LeftOut:  []string{"dispersion, and a line of several cables with several velocity factors"},
	}
	if reach > 0 {
		w.Inputs = append(w.Inputs, working.Number("length of the line", "", float64(reach), "m"))
		points, err := rf.PointsFor(reach, s.Span(), s.VelocityFactor)
		if err != nil {
			return working.Working{}, err
		}
		w.Result = append(w.Result, working.Term{Name: "fewest points that reach the line's end", Value: strconv.Itoa(points)})
	}
	for _, warning := range warnings {
		w.Cautions = append(w.Cautions, strings.ToUpper(warning.Sentence[:1])+warning.Sentence[1:]+".")
	}
	return w, nil
}

func radioCalculations() []Calculation {
	cables := []string{}
	for _, c := range rf.GenericCables() {
		cables = append(cables, c.Name)
	}
	return []Calculation{
		{Name: "intermodulation-hits", Group: "radio", Title: "which products of a plan's bands land in a receive band",
			Parameters: []Parameter{
				whole("bands", "numbers of cellular bands on the line", 1, 1000).many().maybe(),
				words("downlinks", "other transmitted ranges, low-high in MHz").many().maybe(),
				words("uplinks", "other received ranges, low-high in MHz").many().maybe(),
				whole("max_order", "highest odd order", 3, rf.MaxOrder).or("7"),
			}, do: bandHits},
		{Name: "intermodulation-products", Group: "radio", Title: "odd products beside two tones",
			Parameters: []Parameter{num("tone1_mhz", "first tone", megahertz), num("tone2_mhz", "second tone", megahertz),
				whole("max_order", "highest odd order", 3, rf.MaxOrder).or("9")}, do: products},
		{Name: "intermodulation-level", Group: "radio", Title: "dBm and dBc of an intermodulation level, or whether a pair agrees",
			Parameters: []Parameter{num("carrier_watts", "power of ONE carrier", working.Domain{Min: 0, MinOpen: true, Max: 1e6, Unit: "W"}).or("20"),
				num("level_dbm", "level", levelDBm).maybe(), num("level_dbc", "level", working.Domain{Min: -300, Max: 100, Unit: "dBc"}).maybe()}, do: levels},
		{Name: "residual-bound", Group: "radio", Title: "what a reading proves with a kit that has a residual of its own",
			Parameters: []Parameter{num("reading_dbm", "level as read", levelDBm), num("residual_dbm", "residual of the kit at the same power", levelDBm),
				num("limit_dbm", "highest level allowed", levelDBm).maybe()}, do: residualBound},
		{Name: "return-loss", Group: "radio", Title: "return loss, VSWR and reflection, each from the other",
			Parameters: []Parameter{num("return_loss_db", "return loss, a positive number", positive).maybe(),
				num("vswr", "VSWR", working.Domain{Min: 1, Max: 1e6}).maybe(), num("reflection", "magnitude of the reflection", working.Domain{Min: 0, Max: 1}).maybe()}, do: returnLoss},
		{Name: "directivity-bound", Group: "radio", Title: "what a return loss proves with an instrument of limited directivity",
			Parameters: []Parameter{num("reading_db", "return loss as read", positive), num("directivity_db", "directivity of the instrument", positive),
				num("source_match_db", "its source match", positive).maybe(), num("limit_db", "lowest return loss allowed", positive).maybe()}, do: directivityBound},
		{Name: "line-loss", Group: "radio", Title: "loss of a line of generic cable, and the return loss at its far end",
			Parameters: []Parameter{choice("cables", "size of each section", cables).many(), num("lengths_metres", "length of each section", metres).many(),
				num("frequency_mhz", "frequency", megahertz), whole("connector_pairs", "mated pairs", 0, 1000).or("2"),
				num("return_loss_db", "return loss read at the near end", positive).maybe()}, do: lineLoss},
		{Name: "distance-setup", Group: "radio", Title: "what a sweep can show of distances",
			Parameters: []Parameter{num("start_mhz", "start of the sweep", megahertz), num("stop_mhz", "end of the sweep", megahertz),
				whole("points", "points", 2, rf.MaxPoints), num("velocity_factor", "velocity factor of the cable", working.Domain{Min: 0, MinOpen: true, Max: 1}),
				choice("window", "window of the transform", rf.Windows()).or(string(rf.Hamming)),
				num("line_metres", "length of the line, 0: not asked", metres).or("0"), num("apart_metres", "distance of two faults to be told apart, 0: not asked", metres).or("0")}, do: distanceSetup},
	}
}
