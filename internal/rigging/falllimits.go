package rigging

import "witnessmark/internal/working"

// Limit is one published figure of fall protection or of hoisting, in the unit
// that its rule is written in.
type Limit struct {
	Name   string // the trade's words
	Bound  string // "at most", "at least", "exactly as tested"
	Value  float64
	Unit   string
	Note   string
	Source working.Source
}

// FallLimits returns the published figures of fall protection that this program
// knows, in the order of a briefing. The rule's own unit is kept: its printed
// metric figures are roundings.
func FallLimits() []Limit {
	c, m := working.Confirmed, working.FromMemory
	ladder := working.Source{Document: "29 CFR 1926.1053", Clause: "(a)(22)-(23)", Status: c}
	return []Limit{
		{"fall height that asks for protection, construction", "at most", 6, "ft", "fall to a lower level", working.Source{Document: "29 CFR 1926.501", Status: c}},
		{"arresting force on the person, body harness", "at most", ArrestForceLimitPounds, "lbf", "printed as 8 kN; exactly 8.00680 kN", fallRule("(d)(16)(ii)", c)},
		{"free fall", "at most", FreeFallLimitFeet, "ft", "and no contact with a lower level", fallRule("(d)(16)(iii)", c)},
		{"deceleration distance", "at most", DecelerationLimitFeet, "ft", "printed as 1.07 m, a state copy prints 1.08 m; exactly 1.0668 m", fallRule("(d)(16)(iv)", c)},
		{"system strength", "at least", 2, "x the impact energy", "of a fall of 6 ft, or of the fall that the system allows if less", fallRule("(d)(16)(v)", c)},
		{"anchorage, for each person attached", "at least", AnchoragePounds, "lbf", "or factor 2 under a qualified person; exactly 22.2411 kN", fallRule("(d)(15)", c)},
		{"connectors, D-rings, snaphooks: tensile strength", "at least", 5000, "lbf", "", fallRule("(d)(3)-(4)", c)},
		{"connectors, D-rings, snaphooks: proof load", "at least", 3600, "lbf", "", fallRule("(d)(3)-(4)", m)},
		{"lanyards and vertical lifelines: breaking strength", "at least", 5000, "lbf", "", fallRule("(d)(9)", c)},
		{"self-retracting lifeline that limits free fall to 2 ft", "at least", 3000, "lbf", "exactly 13.3447 kN", fallRule("(d)(12)", c)},
		{"weight of person and tools that the test criteria assume", "at most", TestedWeightPounds, "lb", "above it the maker's rating or a qualified person decides", working.Source{Document: "29 CFR 1926 Subpart M", Clause: "App. C", Status: c}},
		{"ladder safety device: test weight dropped", "at least", 500, "lb", "from 18 in; hands stay free while climbing", ladder},
		{"ladder safety device: locks within", "at most", LadderLockFeet, "ft", "", ladder},
		{"ladder safety device: speed of descent", "at most", LadderDescentFeetPerSecond, "ft/s", "printed as 2.1 m/s", ladder},
		{"ladder safety device: link to the harness", "at most", LadderLinkInches, "in", "printed as 23 cm", ladder},
	}
}

// Limits of a ladder safety device (climb cable or rail), in the rule's units.
const (
	LadderLockFeet             = 2.0
	LadderDescentFeetPerSecond = 7.0
	LadderLinkInches           = 9.0
)

// LadderDeviceInput is what the maker states or a check measured. A nil value
// was not checked, and the result says so.
type LadderDeviceInput struct {
	LockFeet             *float64 // distance in which it locks
	DescentFeetPerSecond *float64
	LinkInches           *float64 // length of the link between carrier and harness
}

// LadderDeviceResult says whether a figure entered is over its limit.
type LadderDeviceResult struct {
	AnyOver    bool
	NotChecked int // how many of the three were not entered
	Working    working.Working
}

// LadderDevice compares a ladder safety device with its three figures; equality
// passes. Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: 29 CFR
// 1926.1053(a)(22)-(23).
func LadderDevice(in LadderDeviceInput) (LadderDeviceResult, error) {
	var r LadderDeviceResult
	w := working.Working{
		Formula: "ladder safety device: each figure against its limit",
		Sources: []working.Source{
			{Document: "29 CFR 1926.1053", Clause: "(a)(22)-(23)", Status: working.Confirmed},
			{Document: "29 CFR 1910.29", Clause: "(i)", Status: working.Confirmed},
		},
		Cautions: []string{
			"The climber's hands stay free; the device is connected before the first step and inspected on the day.",
			"The type test with 500 lb dropped 18 in is the maker's; it is not shown by these figures.",
		},
		LeftOut: []string{"condition of the cable or rail and of its brackets", "match of carrier and cable diameter", "ice and dirt on the cable"},
		Defers:  working.DefersFall,
	}
	for _, c := range []struct {
		name, field, unit string
		v                 *float64
		limit             float64
	}{
		{"locks within", "lock_feet", "ft", in.LockFeet, LadderLockFeet},
		{"speed of descent", "descent_feet_per_second", "ft/s", in.DescentFeetPerSecond, LadderDescentFeetPerSecond},
		{"link to the harness", "link_inches", "in", in.LinkInches, LadderLinkInches},
	} {
		if c.v == nil {
			r.NotChecked++
			w.Result = append(w.Result, working.Words(c.name, "not checked: none was entered"))
			continue
		}
		if err := LengthDomain.Check(c.field, *c.v); err != nil {
			return LadderDeviceResult{}, err
		}
		r.AnyOver = r.AnyOver || working.Exceeds(*c.v, c.limit)
		w.Inputs = append(w.Inputs, working.Number(c.name, "", *c.v, c.unit))
		w.Result = append(w.Result, working.Compare(c.name, *c.v, c.limit, c.unit))
	}
	r.Working = w
	return r, nil
}
