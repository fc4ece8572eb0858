package calc

import (
	"strconv"

	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// appendSource adds s unless it stands there already.
func appendSource(list []working.Source, s working.Source) []working.Source {
	for _, have := range list {
		if have == s {
			return list
		}
	}
	return append(list, s)
}

func fibreBudget(v values) (working.Working, error) {
	kind, wavelength := fibre.FibreType(v.word("fibre")), units.Nanometers(v.number("wavelength_nanometers"))
	a, err := fibre.AttenuationOf(kind, wavelength)
	if err != nil {
		return working.Working{}, err
	}
	item := func(count, which, each string) (fibre.BudgetItem, error) {
		allowance, err := fibre.AllowanceOf(fibre.AllowanceName(v.word(which)))
		if err != nil {
			return fibre.BudgetItem{}, err
		}
		it := fibre.BudgetItem{Name: string(allowance.Name), Count: v.whole(count), Each: allowance.High, Source: allowance.Source}
		if own := v.given(each); own != nil {
			it.Name, it.Each = "as entered", units.DB(*own)
			it.Source = working.Source{Document: "allowance entered by the user: the owner's", Status: working.CommonPractice}
		}
		return it, nil
	}
	pairs, err := item("pairs", "pair_kind", "pair_db")
	if err != nil {
		return working.Working{}, err
	}
	splices, err := item("splices", "splice_kind", "splice_db")
	if err != nil {
		return working.Working{}, err
	}
	length := units.Meters(v.number("length_metres"))
	b, err := fibre.LossBudget(fibre.Link{Length: length, Attenuation: a.High, AttenuationSource: a.Source,
		Connections: []fibre.BudgetItem{pairs}, Splices: []fibre.BudgetItem{splices}})
	if err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula: "loss budget: length * coefficient + connections + splices, at one wavelength",
		Inputs: []working.Term{
			working.Words("fibre", string(kind)), working.Number("wavelength", "", float64(wavelength), "nm"),
			working.Number("length", "", float64(length), "m"), working.Number("coefficient", "", float64(a.High), "dB/km"),
			{Name: "mated pairs, " + pairs.Name, Value: strconv.Itoa(pairs.Count)}, working.Number("each", "", float64(pairs.Each), "dB"),
			{Name: "splices, " + splices.Name, Value: strconv.Itoa(splices.Count)}, working.Number("each", "", float64(splices.Each), "dB"),
		},
		Result: []working.Term{
			working.Number("largest loss allowed", "", float64(b.Total), "dB"),
			working.Number("of it in connections", "", float64(b.ConnectionShare), "%"),
		},
		Cautions: []string{
			"With a one-cord reference the pairs at both ends count.",
			"On a short run the connections are nearly everything: a pass can hide one dirty pair. Every end face is inspected.",
			"Every wavelength and direction passes by itself.",
			ownersLimit,
		},
		LeftOut: []string{"bends and damage", "splitters and attenuators"},
	}
	for _, l := range b.Lines {
		w.Steps = append(w.Steps, working.Number(l.Name, "", float64(l.Loss), "dB"))
		if l.Loss != 0 {
			w.Sources = appendSource(w.Sources, l.Source)
		}
	}
	if len(w.Sources) == 0 {
		w.Sources = []working.Source{a.Source}
	}
	if measured := v.given("measured_db"); measured != nil {
		w.Inputs = append(w.Inputs, working.Number("loss measured", "", *measured, "dB"))
		w.Result = append(w.Result, working.Compare("loss measured", *measured, float64(b.Total), "dB"))
	}
	return w, nil
}

func reflections(v values) (working.Working, error) {
	if err := v.sameLength("return_losses_db", "losses_before_db"); err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula: "return loss of several points: -10*log10 sum of 10^(-(RL + 2*loss before)/10)",
		Sources: []working.Source{{Document: "reflections added as powers", Status: working.Computed}},
		LeftOut: []string{"light reflected more than once", "backscatter"},
	}
	var rs []fibre.Reflection
	for i, rl := range v.list("return_losses_db") {
		before := v.list("losses_before_db")[i]
		rs = append(rs, fibre.Reflection{ReturnLoss: units.DB(rl), LossBefore: units.DB(before)})
		n := "point " + strconv.Itoa(i+1)
		w.Inputs = append(w.Inputs, working.Number(n+", return loss", "", rl, "dB"), working.Number(n+", loss before it", "", before, "dB"))
	}
	total, err := fibre.TotalReturnLoss(rs)
	if err != nil {
		return working.Working{}, err
	}
	w.Result = []working.Term{working.Number("return loss of all", "", float64(total), "dB")}
	return w, nil
}

func opticalPower(v values) (working.Working, error) {
	loss := units.DB(v.number("loss_db"))
	txMin, rxMin := units.DBm(v.number("transmit_least_dbm")), units.DBm(v.number("sensitivity_dbm"))
	margin, err := fibre.PowerMargin(txMin, rxMin, loss)
	if err != nil {
		return working.Working{}, err
	}
	words := "light is left over the sensitivity, as entered"
	if margin < 0 {
		words = "TOO LITTLE LIGHT"
	}
	w := working.Working{
		Formula: "optical power: margin = least transmitted - sensitivity - loss; overload when most transmitted - loss is over the receiver's most",
		Inputs: []working.Term{
			working.Number("least transmitted", "", float64(txMin), "dBm"), working.Number("sensitivity of the receiver", "", float64(rxMin), "dBm"),
			working.Number("loss of the link", "", float64(loss), "dB"),
		},
		Result:   []working.Term{working.Number("margin", "", float64(margin), "dB"), working.Words("receiver", words)},
		Sources:  []working.Source{decibelDefinition},
		Cautions: []string{"The figures of the transceivers' own data sheets count."},
		LeftOut:  []string{"dispersion and reflections", "ageing"},
	}
	most, limit := v.given("transmit_most_dbm"), v.given("receive_most_dbm")
	if most == nil || limit == nil {
		w.Result = append(w.Result, working.Words("overload", "not checked: transmit_most_dbm and receive_most_dbm were not both entered"))
		return w, nil
	}
	received, over, err := fibre.Overload(units.DBm(*most), units.DBm(*limit), loss)
	if err != nil {
		return working.Working{}, err
	}
	w.Inputs = append(w.Inputs, working.Number("most transmitted", "", *most, "dBm"), working.Number("most that the receiver takes", "", *limit, "dBm"))
	words = "at or under what the receiver takes, as entered"
	if over {
		words = "TOO MUCH LIGHT: an attenuator is wanted"
	}
	w.Result = append(w.Result, working.Number("most received", "", float64(received), "dBm"), working.Words("overload", words))
	return w, nil
}

func fibreCalculations() []Calculation {
	kinds, seen := []string{}, map[fibre.FibreType]bool{}
	for _, a := range fibre.Attenuations() {
		if !seen[a.Type] {
			seen[a.Type] = true
			kinds = append(kinds, string(a.Type))
		}
	}
	allowances := []string{}
	for _, a := range fibre.Allowances() {
		allowances = append(allowances, string(a.Name))
	}
	db := working.Domain{Min: 0, Max: fibre.MaxAllowanceDB, Unit: "dB"}
	level := working.Domain{Min: -fibre.MaxLevelDB, Max: fibre.MaxLevelDB, Unit: "dBm"}
	loss := working.Domain{Min: 0, Max: fibre.MaxLevelDB, Unit: "dB"}
	return []Calculation{
		{Name: "fibre-budget", Group: "fibre", Title: "largest loss that a fibre link may show at one wavelength",
			Parameters: []Parameter{
				choice("fibre", "type of fibre and how it is laid", kinds),
				num("wavelength_nanometers", "wavelength", working.Domain{Min: 400, Max: 2000, Unit: "nm"}),
				num("length_metres", "length of the fibre", working.Domain{Min: 0, Max: fibre.MaxLinkMeters, Unit: "m"}),
				whole("pairs", "mated pairs", 0, fibre.MaxBudgetEntries),
				choice("pair_kind", "what a pair is allowed", allowances).or(string(fibre.StandardPair)),
				num("pair_db", "the owner's allowance for a pair instead", db).maybe(),
				whole("splices", "splices", 0, fibre.MaxBudgetEntries).or("0"),
				choice("splice_kind", "what a splice is allowed", allowances).or(string(fibre.Splice)),
				num("splice_db", "the owner's allowance for a splice instead", db).maybe(),
				num("measured_db", "loss measured, to compare", loss).maybe(),
			}, do: fibreBudget},
		{Name: "fibre-return-loss", Group: "fibre", Title: "return loss of several reflecting points together",
			Parameters: []Parameter{num("return_losses_db", "return loss of each point", loss).many(), num("losses_before_db", "one-way loss before each point", loss).many()}, do: reflections},
		{Name: "optical-power", Group: "fibre", Title: "what a receiver has left, and whether it gets too much",
			Parameters: []Parameter{
				num("transmit_least_dbm", "least power of the transmitter", level), num("sensitivity_dbm", "sensitivity of the receiver", level), num("loss_db", "loss of the link", loss),
				num("transmit_most_dbm", "most power of the transmitter", level).maybe(), num("receive_most_dbm", "most that the receiver takes", level).maybe(),
			}, do: opticalPower},
	}
}
