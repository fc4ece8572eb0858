package calc

import (
	"witnessmark/internal/rigging"
	"witnessmark/internal/working"
)

const (
	loadHelp   = ", in the unit named by unit"
	lengthHelp = ", in the unit named by unit"
)

func loadUnit() Parameter {
	return choice("unit", "unit of every load here", rigging.LoadUnits()).or(string(rigging.Pound))
}

func lengthUnit() Parameter {
	return choice("unit", "unit of every length here", rigging.LengthUnits()).or(string(rigging.Foot))
}

func rigCalculations() []Calculation {
	designItems := []string{}
	for _, d := range rigging.DesignFactors() {
		designItems = append(designItems, d.Item)
	}
	knots := []string{}
	for _, k := range rigging.Knots() {
		knots = append(knots, k.Key)
	}
	rated := num("rating", "working load limit to compare with"+loadHelp, rigging.LoadDomain).maybe()
	return []Calculation{
		{
			Name: "block-load", Group: "rigging", Safety: true, Title: "load on a turning block from the pull and the angle between its lines",
			Parameters: []Parameter{
				num("pull", "pull in the line"+loadHelp, rigging.LoadDomain),
				num("angle_degrees", "angle between the two lines, 0 = side by side", rigging.BlockAngle),
				loadUnit(),
				num("factor", "factor for sheave friction and shock from a qualified person", rigging.FactorDomain).maybe(),
				rated,
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.BlockLoad(rigging.BlockInput{Pull: v.number("pull"), Unit: rigging.LoadUnit(v.word("unit")),
					AngleDegrees: v.number("angle_degrees"), Factor: v.number("factor"), Rating: v.number("rating")})
				return r.Working, err
			},
		},
		{
			Name: "sling", Group: "rigging", Safety: true, Title: "tension in each leg of a sling, from an angle and its reference or from lengths",
			Parameters: []Parameter{
				num("load", "load lifted"+loadHelp, rigging.LoadDomain),
				whole("legs", "number of equal legs", 1, 8),
				num("angle_degrees", "angle of a leg; needs angle_from", rigging.SlingAngle).maybe(),
				choice("angle_from", "what the angle is measured from", rigging.AngleReferences()).maybe(),
				num("leg_length", "length of a leg, instead of an angle", rigging.LengthDomain).maybe(),
				num("height", "vertical height of a leg, same unit as leg_length", rigging.LengthDomain).maybe(),
				loadUnit(),
				yesNo("flexible", "the load is not rigid, so that all legs count"),
				yesNo("allow_low", "a qualified person asked for an angle under 30 degrees in writing"),
				rated,
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.SlingTension(rigging.SlingInput{Load: v.number("load"), Unit: rigging.LoadUnit(v.word("unit")), Legs: v.whole("legs"),
					AngleDegrees: v.number("angle_degrees"), AngleFrom: rigging.AngleReference(v.word("angle_from")),
					LegLength: v.number("leg_length"), Height: v.number("height"),
					Flexible: v.yes("flexible"), AllowLow: v.yes("allow_low"), Rating: v.number("rating")})
				return r.Working, err
			},
		},
		{
			Name: "tag-line", Group: "rigging", Safety: true, Title: "forces in tag line and load line of a load held off the structure",
			Parameters: []Parameter{
				num("load", "weight of the load"+loadHelp, rigging.LoadDomain),
				num("load_line_degrees", "lean of the load line from the vertical", rigging.LeanAngle),
				num("tag_line_degrees", "tag line below the horizontal", rigging.LeanAngle),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.TagLine(rigging.TagLineInput{Load: v.number("load"), Unit: rigging.LoadUnit(v.word("unit")),
					LoadLineDegrees: v.number("load_line_degrees"), TagLineDegrees: v.number("tag_line_degrees")})
				return r.Working, err
			},
		},
		{
			Name: "working-load-limit", Group: "rigging", Safety: true, Title: "working load limit from breaking strength, termination and design factor",
			Parameters: []Parameter{
				num("mbs", "minimum breaking strength"+loadHelp, rigging.LoadDomain),
				choice("item", "kind of gear, for its design factor; or give factor", designItems).maybe(),
				num("factor", "design factor from the maker or the plan", rigging.FactorDomain).maybe(),
				choice("knot", "knot in the line", knots).maybe(),
				num("efficiency", "efficiency of the termination from its maker", rigging.EfficiencyDomain).maybe(),
				num("load", "gross load to compare"+loadHelp, rigging.LoadDomain).maybe(),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.WorkingLoadLimit(rigging.WLLInput{MBS: v.number("mbs"), Unit: rigging.LoadUnit(v.word("unit")), Item: v.word("item"),
					Factor: v.number("factor"), Knot: v.word("knot"), Efficiency: v.number("efficiency"), Load: v.number("load")})
				return r.Working, err
			},
		},
		{
			Name: "gear-chain", Group: "rigging", Safety: true, Title: "gross load against the weakest piece of the gear that carries it",
			Parameters: []Parameter{
				num("load", "gross load"+loadHelp, rigging.LoadDomain),
				words("names", "names of the pieces of gear").many(),
				num("limits", "their working load limits in the same order"+loadHelp, rigging.LoadDomain).many(),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				if err := v.sameLength("names", "limits"); err != nil {
					return working.Working{}, err
				}
				var items []rigging.ChainItem
				for i, name := range v.words["names"] {
					items = append(items, rigging.ChainItem{Name: name, WLL: v.list("limits")[i]})
				}
				r, err := rigging.Chain(v.number("load"), rigging.LoadUnit(v.word("unit")), items)
				return r.Working, err
			},
		},
		{
			Name: "plan-class", Group: "rigging", Safety: true, Title: "least class of the rigging plan from gross load and kind of work",
			Parameters: []Parameter{
				num("load", "load"+loadHelp, rigging.LoadDomain),
				num("rigging", "weight of the rigging"+loadHelp, rigging.ForceDomain).or("0"),
				num("tag_line", "tag-line force that acts on the hoist line"+loadHelp, rigging.ForceDomain).or("0"),
				loadUnit(),
				yesNo("member_removed", "a structural member is removed or replaced"),
				yesNo("no_redundancy", "structural work without redundancy"),
				yesNo("new_structure", "a new structure"),
				yesNo("crane", "a crane lifts"),
				yesNo("engineered", "an engineered or special lift"),
				yesNo("strength_in_doubt", "strength or stability is doubtful"),
				yesNo("special_device", "gin pole or other special lifting device"),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.Classify(rigging.PlanInput{Load: v.number("load"), Rigging: v.number("rigging"), TagLine: v.number("tag_line"), Unit: rigging.LoadUnit(v.word("unit")),
					MemberRemoved: v.yes("member_removed"), NoRedundancy: v.yes("no_redundancy"), NewStructure: v.yes("new_structure"), Crane: v.yes("crane"),
					Engineered: v.yes("engineered"), StrengthInDoubt: v.yes("strength_in_doubt"), SpecialDevice: v.yes("special_device")})
				return r.Working, err
			},
		},
		{
			Name: "people-hoist", Group: "rigging", Safety: true, Title: "limit of a tower hoist line for people",
			Parameters: []Parameter{
				num("material_rating", "material rating of the hoist"+loadHelp, rigging.LoadDomain),
				num("line_mbs", "lowest breaking strength of line and rigging"+loadHelp, rigging.LoadDomain),
				num("load", "people and gear"+loadHelp, rigging.LoadDomain).maybe(),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.PeopleHoist(rigging.PeopleHoistInput{MaterialRating: v.number("material_rating"), LineMBS: v.number("line_mbs"),
					Load: v.number("load"), Unit: rigging.LoadUnit(v.word("unit"))})
				return r.Working, err
			},
		},
		{
			Name: "instrument-hoist", Group: "rigging", Safety: true, Title: "gross load of a test instrument against the rated point that carries it",
			Parameters: []Parameter{
				num("instrument", "weight of the instrument"+loadHelp, rigging.LoadDomain),
				num("cables", "weight of its cables"+loadHelp, rigging.ForceDomain).or("0"),
				num("loads", "weight of the loads"+loadHelp, rigging.ForceDomain).or("0"),
				num("bag", "weight of the hoist bag"+loadHelp, rigging.ForceDomain).or("0"),
				num("rating", "rating of the maker's lifting point or of the hoist bag; leave out when there is none"+loadHelp, rigging.LoadDomain).maybe(),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.InstrumentHoist(rigging.InstrumentInput{Instrument: v.number("instrument"), Cables: v.number("cables"), Loads: v.number("loads"),
					Bag: v.number("bag"), Rating: v.number("rating"), Unit: rigging.LoadUnit(v.word("unit"))})
				return r.Working, err
			},
		},
		{
			Name: "fall-clearance", Group: "rigging", Safety: true, Title: "clear height needed below a climber, by a named form",
			Parameters: []Parameter{
				choice("form", "form of the sum; they differ by a foot", rigging.Forms()),
				num("lanyard", "length of the lanyard"+lengthHelp, rigging.LengthDomain),
				num("anchor_above_ring", "height of the anchor over the back D-ring, negative below it"+lengthHelp, rigging.HeightDomain),
				lengthUnit(),
				num("deceleration", "deceleration distance, else 3.5 ft"+lengthHelp, rigging.LengthDomain).maybe(),
				num("d_ring_shift", "D-ring form: shift of the D-ring, else 1 ft"+lengthHelp, rigging.LengthDomain).maybe(),
				num("d_ring_height", "D-ring form: height of the back D-ring over the soles, else 5 ft"+lengthHelp, rigging.LengthDomain).maybe(),
				num("person_height", "whole-person form: height of the person, else 6 ft"+lengthHelp, rigging.LengthDomain).maybe(),
				num("margin", "margin, else 2 ft (D-ring form) or 3 ft"+lengthHelp, rigging.LengthDomain).maybe(),
				num("swing_drop", "drop by swinging, from swing-drop"+lengthHelp, rigging.LengthDomain).or("0"),
				num("available", "clear height measured below the feet's level"+lengthHelp, rigging.LengthDomain).maybe(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.Clearance(rigging.ClearanceInput{Form: rigging.Form(v.word("form")), Unit: rigging.LengthUnit(v.word("unit")),
					Lanyard: v.number("lanyard"), AnchorAboveRing: v.number("anchor_above_ring"), Deceleration: v.given("deceleration"),
					DRingShift: v.given("d_ring_shift"), DRingHeight: v.given("d_ring_height"), PersonHeight: v.given("person_height"),
					Margin: v.given("margin"), SwingDrop: v.number("swing_drop"), Available: v.given("available")})
				return r.Working, err
			},
		},
		{
			Name: "swing-drop", Group: "rigging", Safety: true, Title: "extra drop of a person who falls beside the anchor",
			Parameters: []Parameter{
				num("line", "line paid out"+lengthHelp, rigging.LengthDomain),
				num("offset", "sideways offset from the anchor"+lengthHelp, rigging.LengthDomain),
				lengthUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.SwingDrop(v.number("line"), v.number("offset"), rigging.LengthUnit(v.word("unit")))
				return r.Working, err
			},
		},
		{
			Name: "fall-arrest", Group: "rigging", Safety: true, Title: "speed, energy and mean force of an arrested fall",
			Parameters: []Parameter{
				num("weight", "person and tools, in weight_unit", rigging.LoadDomain),
				choice("weight_unit", "unit of the weight", rigging.LoadUnits()).or(string(rigging.Pound)),
				num("free_fall", "free fall"+lengthHelp, rigging.LengthDomain),
				num("deceleration", "deceleration distance"+lengthHelp, working.Domain{Min: 0.01, Max: 1000}),
				lengthUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.Arrest(rigging.ArrestInput{Weight: v.number("weight"), WeightUnit: rigging.LoadUnit(v.word("weight_unit")),
					FreeFall: v.number("free_fall"), Deceleration: v.number("deceleration"), LengthUnit: rigging.LengthUnit(v.word("unit"))})
				return r.Working, err
			},
		},
		{
			Name: "anchorage", Group: "rigging", Safety: true, Title: "what a fall-arrest anchorage must hold, prescribed and by calculation",
			Parameters: []Parameter{
				num("max_arrest_force", "maximum arresting force of the system, from its label"+loadHelp, rigging.LoadDomain),
				whole("persons", "persons attached", 1, 10).or("1"),
				loadUnit(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.Anchorage(rigging.AnchorageInput{MaxArrestForce: v.number("max_arrest_force"), Unit: rigging.LoadUnit(v.word("unit")), Persons: v.whole("persons")})
				return r.Working, err
			},
		},
		{
			Name: "ladder-device", Group: "rigging", Safety: true, Title: "figures of a ladder safety device against their limits",
			Parameters: []Parameter{
				num("lock_feet", "distance in which it locks", working.Domain{Min: 0, Max: 1000, Unit: "ft"}).maybe(),
				num("descent_feet_per_second", "speed of descent", working.Domain{Min: 0, Max: 1000, Unit: "ft/s"}).maybe(),
				num("link_inches", "length of the link to the harness", working.Domain{Min: 0, Max: 1000, Unit: "in"}).maybe(),
			},
			do: func(v values) (working.Working, error) {
				r, err := rigging.LadderDevice(rigging.LadderDeviceInput{LockFeet: v.given("lock_feet"),
					DescentFeetPerSecond: v.given("descent_feet_per_second"), LinkInches: v.given("link_inches")})
				return r.Working, err
			},
		},
	}
}
