package limits

import (
	"fmt"
	"strings"

	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func init() {
	register(&Formula{
		Name:       "fibre_budget",
		Title:      "Largest loss of a fibre line, at each wavelength",
		Form:       "length in km · attenuation + mated pairs · allowance + splices · allowance + extra",
		Gives:      "upper loss in dB, one for each wavelength of the line",
		Quantities: []recordv1.Quantity{recordv1.Quantity_FIBRE_LOSS},
		Parameters: []Parameter{
			{Name: "attenuation_db_per_km", Unit: "dB/km", Optional: true, Default: absent, Max: 1000, Meaning: "of the fibre, the same at every wavelength; without it the fibre type's figure at the wavelength"},
			{Name: "pair_db", Unit: "dB", Optional: true, Default: 0.75, Max: 20, Meaning: "allowance of one mated pair; 0.75 from TIA-568"},
			{Name: "splice_db", Unit: "dB", Optional: true, Default: 0.3, Max: 20, Meaning: "allowance of one splice; 0.3 from TIA-568"},
			{Name: "extra_db", Unit: "dB", Optional: true, Default: 0, Max: 20, Meaning: "anything else that the owner allows"},
		},
		NeedsLine: true,
		FromPlan: []string{
			"the line's length_meters", "its wavelengths_nanometers", "its splice_count",
			"its mated_pair_count; where that is 0, the number of the plan's connections on the line. Count the pairs at both ends with a one-cord reference",
			"its type, such as OS2, OM4 or G.652.D, where no attenuation is given",
		},
		Sources: fibreSources(),
		LeftOut: []string{"bends and dirt: what they add shows as loss over the budget", "the uncertainty of the reference"},
		compute: fibreBudget,
	})
}

func fibreSources() []string {
	var out []string
	for _, a := range fibre.Attenuations() {
		out = append(out, fmt.Sprintf("%s, %s to %s nm, %s dB/km: %s", a.Type, trimmed(float64(a.From)), trimmed(float64(a.To)), trimmed(float64(a.High)), a.Source))
	}
	return out
}

// fibreType finds the data of a plan's fibre type.
func fibreType(name string) fibre.FibreType {
	n := strings.ToLower(strings.Join(strings.Fields(name), "-"))
	switch compact := strings.NewReplacer("-", "", ".", "", "_", "").Replace(n); compact {
	case "os2":
		return fibre.OS2Outside
	case "os1a", "os1":
		return fibre.OS1aInside
	case "g652d", "g657a", "g657b", "om1", "om2", "om3", "om4", "om5":
		return fibre.FibreType(compact)
	case "g657a1", "g657a2":
		return fibre.G657A
	}
	return fibre.FibreType(n)
}

// matedPairs is the number of mated pairs that a line's budget counts.
func (in *inputs) matedPairs() int {
	if n := in.s.Line.GetMatedPairCount(); n > 0 {
		return int(n)
	}
	n := 0
	for _, c := range in.s.Plan.GetConnections() {
		if c.GetLine() == in.s.Line.GetId() {
			n++
		}
	}
	return n
}

func fibreBudget(in *inputs, r *Resolved) error {
	l := in.s.Line
	if l == nil {
		return in.needs("a line")
	}
	if l.LengthMeters == nil {
		return in.needs("the line's length_meters")
	}
	if len(l.GetWavelengthsNanometers()) == 0 {
		return in.needs("the line's wavelengths_nanometers")
	}
	given, hasGiven, err := in.maybe("attenuation_db_per_km")
	if err != nil {
		return err
	}
	var allowances [3]float64
	for i, name := range []string{"pair_db", "splice_db", "extra_db"} {
		if allowances[i], err = in.number(name); err != nil {
			return err
		}
	}
	pairs, splices := in.matedPairs(), int(l.GetSpliceCount())
	if pairs == 0 {
		return in.needs("how many mated pairs the line has (mated_pair_count)")
	}
	for _, nm := range l.GetWavelengthsNanometers() {
		at := &inputs{f: in.f, given: in.given, s: in.s, def: in.def, weakest: in.weakest, working: &recordv1.Assessment_Working{Formula: in.working.GetFormula(), LeftOut: in.working.GetLeftOut()}}
		attenuation := units.DBPerKilometer(given)
		if !hasGiven {
			a, err := fibre.AttenuationOf(fibreType(l.GetType()), units.Nanometers(nm))
			if err != nil {
				return in.needs(fmt.Sprintf("an attenuation of %q at %s nm: give attenuation_db_per_km", l.GetType(), trimmed(nm)))
			}
			attenuation, at.document = a.High, &a.Source
			at.founded(a.Source.Status)
			if a.Source.Status == working.FromMemory {
				in.founded(working.FromMemory)
			}
		}
		b, err := fibre.LossBudget(fibre.Link{
			Length: units.Meters(l.GetLengthMeters()), Attenuation: attenuation,
			Connections: []fibre.BudgetItem{{Name: "mated pair", Count: pairs, Each: units.DB(allowances[0])}},
			Splices:     []fibre.BudgetItem{{Name: "splice", Count: splices, Each: units.DB(allowances[1])}},
		})
		if err != nil {
			return err
		}
		total := float64(b.Total) + allowances[2]
		at.term("wavelength", nm, "nm")
		at.term("length", l.GetLengthMeters()/1000, "km")
		at.term("attenuation", float64(attenuation), "dB/km")
		at.term("fibre", float64(b.Fibre), "dB")
		at.term("mated pairs", float64(pairs), "")
		at.term("one mated pair", allowances[0], "dB")
		at.term("connections", float64(b.Connections), "dB")
		if splices > 0 {
			at.term("splices", float64(splices), "")
			at.term("splices together", float64(b.Splices), "dB")
		}
		if allowances[2] > 0 {
			at.term("extra", allowances[2], "dB")
		}
		at.term("budget", total, "dB")
		w := Resolved{Decision: r.Decision, Note: r.Note, Working: at.working, Source: at.source()}
		w.upper(total, decibels)
		r.ByWavelength = append(r.ByWavelength, WavelengthLimit{nm, w})
	}
	r.Unit = decibels
	return nil
}
