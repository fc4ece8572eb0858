package calc

import (
	"witnessmark/internal/torque"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// interfaceRange adds an interface's recommended torque to w and compares what is
// delivered with it.
func interfaceRange(w *working.Working, name string, delivered torque.Range) error {
	i, err := torque.InterfaceNamed(torque.InterfaceName(name))
	if err != nil {
		return err
	}
	w.Inputs = append(w.Inputs, working.Words("interface", i.Title))
	if i.Note != "" {
		w.Cautions = append(w.Cautions, i.Note)
	}
	if !i.Recommended.Held() {
		w.Result = append(w.Result, working.Words("against the interface", "not checked: no coupling torque is held for it; the maker's figure counts"))
		return nil
	}
	w.Sources = appendSource(w.Sources, i.RecommendedSource)
	low, high := float64(i.Recommended.Low), float64(i.Recommended.High)
	w.Result = append(w.Result, working.Term{Name: "coupling torque of the interface", Value: working.Format(low) + " to " + working.Format(high), Unit: "N·m"})
	words := "inside, for a tool anywhere in its deviation"
	accepted := i.Preset
	if accepted.Held() {
		low, high = float64(accepted.Low), float64(accepted.High)
		w.Sources = appendSource(w.Sources, i.PresetSource)
		w.Result = append(w.Result, working.Term{Name: "torques accepted for it", Value: working.Format(low) + " to " + working.Format(high), Unit: "N·m"})
	}
	switch l, h := float64(delivered.Low), float64(delivered.High); {
	case working.Exceeds(low, h):
		words = "UNDER THE RANGE"
	case working.Exceeds(l, high):
		words = "OVER THE RANGE"
	case working.Exceeds(low, l) || working.Exceeds(h, high):
		words = "the deviation of the tool reaches beyond the range"
	}
	w.Result = append(w.Result, working.Words("against the interface", words))
	return nil
}

func extensionOf(v values) (*torque.Extension, error) {
	if !v.has("lever_mm") {
		return nil, nil
	}
	return &torque.Extension{Lever: units.Millimeters(v.number("lever_mm")), Reach: units.Millimeters(v.number("reach_mm")), Angle: units.Degrees(v.number("angle_degrees"))}, nil
}

func extensionInputs(v values) []working.Term {
	if !v.has("lever_mm") {
		return []working.Term{working.Words("extension", "none entered")}
	}
	return []working.Term{
		working.Number("drive to grip point", "L", v.number("lever_mm"), "mm"),
		working.Number("drive to fastener", "E", v.number("reach_mm"), "mm"),
		working.Number("angle of the extension", "theta", v.number("angle_degrees"), "degrees"),
	}
}

var (
	leverSource     = working.Source{Document: "moments about the fastener; agrees with published examples 80 to 71.1 and 100 to 57.14", Status: working.Computed}
	deviationSource = working.Source{Document: "deviation taken on the reference", Clause: "set/(1 + p) to set/(1 - p)", Status: working.Computed}
)

func wrenchSetting(v values) (working.Working, error) {
	target := units.NewtonMeters(v.number("target_newton_meters"))
	w := working.Working{
		Formula:  "wrench setting with an extension: target * L/(L + E*cos(theta))",
		Inputs:   append([]working.Term{working.Number("torque wanted at the fastener", "", float64(target), "N·m")}, extensionInputs(v)...),
		Sources:  []working.Source{leverSource},
		Cautions: []string{"The lever counts from the drive to the middle of the grip: a hand elsewhere delivers another torque.", "The maker's figure for the interface wins over every default."},
		LeftOut:  []string{"friction and dirt in the thread", "the wrench's own range: a setting outside it is not for this wrench"},
	}
	setting := target
	e, err := extensionOf(v)
	if err != nil {
		return working.Working{}, err
	}
	if e != nil {
		if setting, err = e.Set(target); err != nil {
			return working.Working{}, err
		}
	}
	p := units.Percent(v.number("deviation_percent"))
	w.Inputs = append(w.Inputs, working.Number("permitted deviation of the tool", "p", float64(p), "%"))
	at, err := torque.Applied{Set: setting, Deviation: p, Extension: e}.Really()
	if err != nil {
		return working.Working{}, err
	}
	w.Result = []working.Term{
		working.Number("set the wrench to", "", float64(setting), "N·m"),
		working.Term{Name: "delivered by a tool inside its deviation", Value: working.Format(float64(at.Range.Low)) + " to " + working.Format(float64(at.Range.High)), Unit: "N·m"},
	}
	if p > 0 {
		w.Sources = appendSource(w.Sources, deviationSource)
	}
	if v.has("interface") {
		err = interfaceRange(&w, v.word("interface"), at.Range)
	}
	return w, err
}

func deliveredTorque(v values) (working.Working, error) {
	set, p := units.NewtonMeters(v.number("set_newton_meters")), units.Percent(v.number("deviation_percent"))
	e, err := extensionOf(v)
	if err != nil {
		return working.Working{}, err
	}
	at, err := torque.Applied{Set: set, Deviation: p, Extension: e}.Really()
	if err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula: "torque delivered: set * (L + E*cos(theta))/L, for a tool inside its deviation",
		Inputs: append([]working.Term{working.Number("setting of the tool", "", float64(set), "N·m"),
			working.Number("permitted deviation of the tool", "p", float64(p), "%")}, extensionInputs(v)...),
		Result: []working.Term{
			working.Number("at the fastener", "", float64(at.Nominal), "N·m"),
			{Name: "with the tool's deviation", Value: working.Format(float64(at.Range.Low)) + " to " + working.Format(float64(at.Range.High)), Unit: "N·m"},
		},
		Sources:  []working.Source{leverSource, deviationSource},
		Cautions: []string{"A tool out of date or out of its range shows no deviation that can be relied on."},
		LeftOut:  []string{"friction and dirt in the thread", "a hand away from the grip"},
	}
	if v.has("interface") {
		err = interfaceRange(&w, v.word("interface"), at.Range)
	}
	return w, err
}

func toolDeviation(v values) (working.Working, error) {
	c := torque.ToolClass{Type: torque.ToolType(v.word("type")), Letter: v.word("class")}
	maximum := units.NewtonMeters(v.number("maximum_newton_meters"))
	p, source, err := torque.PermissibleDeviation(c, maximum)
	if err != nil {
		return working.Working{}, err
	}
	return working.Working{
		Formula:  "permissible deviation of a hand torque tool, by class and largest torque",
		Inputs:   []working.Term{working.Words("type", string(c.Type)), working.Words("class", c.Letter), working.Number("largest torque of the tool", "", float64(maximum), "N·m")},
		Result:   []working.Term{working.Number("permissible deviation", "", float64(p), "%")},
		Sources:  []working.Source{source},
		Cautions: []string{"The certificate of the tool says what it really does."},
	}, nil
}

func torqueCalculations() []Calculation {
	names := []string{}
	for _, i := range torque.Interfaces() {
		names = append(names, string(i.Name))
	}
	nm := working.Domain{Min: 0, MinOpen: true, Max: torque.MaxNewtonMeters, Unit: "N·m"}
	common := []Parameter{
		num("lever_mm", "from the drive to the middle of the grip; leave out without an extension", working.Domain{Min: 0, MinOpen: true, Max: 5000, Unit: "mm"}).maybe(),
		num("reach_mm", "from the drive to the fastener", working.Domain{Min: 0, Max: 5000, Unit: "mm"}).or("0"),
		num("angle_degrees", "between tool and extension: 0 in line, 90 square", working.Domain{Min: 0, Max: 180, Unit: "degrees"}).or("0"),
		num("deviation_percent", "permitted deviation of the tool", working.Domain{Min: 0, Max: 100, MaxOpen: true, Unit: "%"}).or("4"),
		choice("interface", "interface to compare with", names).maybe(),
	}
	return []Calculation{
		{Name: "wrench-setting", Group: "torque", Title: "what to set a torque wrench to, with an extension or without",
			Parameters: append([]Parameter{num("target_newton_meters", "torque wanted at the fastener", nm)}, common...), do: wrenchSetting},
		{Name: "torque-delivered", Group: "torque", Title: "what a torque tool really delivered",
			Parameters: append([]Parameter{num("set_newton_meters", "setting of the tool", nm)}, common...), do: deliveredTorque},
		{Name: "tool-deviation", Group: "torque", Title: "permissible deviation of a torque tool of a class",
			Parameters: []Parameter{
				choice("type", "type of tool", []torque.ToolType{torque.Setting, torque.Indicating}).or(string(torque.Setting)),
				choice("class", "letter of its class", []string{"A", "B", "C", "D", "E", "F", "G"}),
				num("maximum_newton_meters", "largest torque of the tool", nm),
			}, do: toolDeviation},
	}
}
