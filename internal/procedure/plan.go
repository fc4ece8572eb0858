package procedure

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"witnessmark/internal/errs"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Bounds of a plan.
const (
	MaxLines       = 500
	MaxConnections = 500
	maxName        = 200 // characters of a title, interface, position …
	maxAttributes  = 50
	maxWavelengths = 10
	maxParts       = 4
)

var (
	planID        = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)
	attributeName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,63}$`)
)

// reserved are the attribute names that the plan's own fields answer.
var reserved = map[string]string{
	"interface": "connection", "position": "connection", "sector": "connection", "polish": "connection",
	"medium": "line", "band": "line", "type": "line", "near_equipment": "line", "far_equipment": "line",
}

// CheckPlan reports whether a plan can be worked on: ids well-formed and
// unique, references whole, texts and numbers within their bounds. nil is an
// empty plan and is good.
//
// The error is Invalid and names the field: PLAN_TOO_LARGE, PLAN_ID_INVALID,
// PLAN_ID_TWICE, PLAN_LINE_UNKNOWN, PLAN_TEXT_TOO_LONG, PLAN_NUMBER_INVALID,
// PLAN_MEDIUM_MISSING, PLAN_ATTRIBUTE_INVALID.
func CheckPlan(plan *recordv1.Plan) error {
	if n := len(plan.GetLines()); n > MaxLines {
		return errs.Field("PLAN_TOO_LARGE", "plan.lines", fmt.Sprintf("has %d lines; at most %d are allowed", n, MaxLines))
	}
	if n := len(plan.GetConnections()); n > MaxConnections {
		return errs.Field("PLAN_TOO_LARGE", "plan.connections", fmt.Sprintf("has %d connections; at most %d are allowed", n, MaxConnections))
	}
	if err := checkAttributes("plan", plan.GetAttributes()); err != nil {
		return err
	}
	lines := make(map[string]bool, len(plan.GetLines()))
	for i, l := range plan.GetLines() {
		at := func(field string) string { return fmt.Sprintf("plan.lines[%d].%s", i, field) }
		if err := checkID(at("id"), l.GetId(), lines); err != nil {
			return err
		}
		if err := checkLine(at, l); err != nil {
			return err
		}
	}
	connections := make(map[string]bool, len(plan.GetConnections()))
	for i, c := range plan.GetConnections() {
		at := func(field string) string { return fmt.Sprintf("plan.connections[%d].%s", i, field) }
		if err := checkID(at("id"), c.GetId(), connections); err != nil {
			return err
		}
		if !lines[c.GetLine()] {
			return errs.Field("PLAN_LINE_UNKNOWN", at("line"), fmt.Sprintf("the plan has no line %.80q", c.GetLine()))
		}
		if err := checkConnection(at, c); err != nil {
			return err
		}
	}
	return nil
}

func checkID(field, id string, seen map[string]bool) error {
	if !planID.MatchString(id) {
		return errs.Field("PLAN_ID_INVALID", field, fmt.Sprintf("%.80q must be 1 to 64 letters, digits, dots, dashes or underlines", id))
	}
	if seen[id] {
		return errs.Field("PLAN_ID_TWICE", field, fmt.Sprintf("%q is given twice", id))
	}
	seen[id] = true
	return nil
}

func checkLine(at func(string) string, l *recordv1.Plan_Line) error {
	for _, t := range []struct{ field, text string }{
		{"title", l.GetTitle()}, {"band", l.GetBand()}, {"type", l.GetType()},
		{"near_equipment", l.GetNearEquipment()}, {"far_equipment", l.GetFarEquipment()},
	} {
		if err := checkName(at(t.field), t.text); err != nil {
			return err
		}
	}
	switch l.GetMedium() {
	case recordv1.Plan_Line_COAX, recordv1.Plan_Line_FIBRE:
	default:
		return errs.Field("PLAN_MEDIUM_MISSING", at("medium"), "must be COAX or FIBRE")
	}
	for _, n := range []number{
		{"low_mhz", l.LowMhz, 0.1, 300_000}, {"high_mhz", l.HighMhz, 0.1, 300_000},
		{"length_meters", l.LengthMeters, 0, 200_000}, {"loss_db_per_100m", l.LossDbPer_100M, 0, 1_000},
		{"velocity_factor", l.VelocityFactor, 0.1, 1}, {"impedance_ohms", l.ImpedanceOhms, 1, 1_000},
	} {
		if err := n.check(at); err != nil {
			return err
		}
	}
	if l.LowMhz != nil && l.HighMhz != nil && *l.LowMhz > *l.HighMhz {
		return errs.Field("PLAN_NUMBER_INVALID", at("high_mhz"), "must not be under low_mhz")
	}
	if n := l.GetSpliceCount(); n < 0 || n > 1000 {
		return errs.Field("PLAN_NUMBER_INVALID", at("splice_count"), fmt.Sprintf("must be 0 to 1000, and is %d", n))
	}
	if n := l.GetMatedPairCount(); n < 0 || n > 1000 {
		return errs.Field("PLAN_NUMBER_INVALID", at("mated_pair_count"), fmt.Sprintf("must be 0 to 1000, and is %d", n))
	}
	if n := len(l.GetWavelengthsNanometers()); n > maxWavelengths {
		return errs.Field("PLAN_TOO_LARGE", at("wavelengths_nanometers"), fmt.Sprintf("has %d wavelengths; at most %d are allowed", n, maxWavelengths))
	}
	seen := map[float64]bool{}
	for i, w := range l.GetWavelengthsNanometers() {
		if err := (number{fmt.Sprintf("wavelengths_nanometers[%d]", i), &w, 400, 2_000}).check(at); err != nil {
			return err
		}
		if seen[w] {
			return errs.Field("PLAN_NUMBER_INVALID", at("wavelengths_nanometers"), fmt.Sprintf("%v is given twice", w))
		}
		seen[w] = true
	}
	return checkAttributes(strings.TrimSuffix(at(""), "."), l.GetAttributes())
}

func checkConnection(at func(string) string, c *recordv1.Plan_Connection) error {
	for _, t := range []struct{ field, text string }{
		{"title", c.GetTitle()}, {"interface", c.GetInterface()}, {"position", c.GetPosition()},
		{"sector", c.GetSector()}, {"polish", c.GetPolish()},
	} {
		if err := checkName(at(t.field), t.text); err != nil {
			return err
		}
	}
	if n := len(c.GetMatingParts()); n > maxParts {
		return errs.Field("PLAN_TOO_LARGE", at("mating_parts"), fmt.Sprintf("has %d parts; at most %d are allowed", n, maxParts))
	}
	for i, p := range c.GetMatingParts() {
		if err := checkName(at(fmt.Sprintf("mating_parts[%d]", i)), p); err != nil {
			return err
		}
	}
	for _, n := range []number{{"height_meters", c.HeightMeters, -100, 2_000}, {"azimuth_degrees", c.AzimuthDegrees, 0, 360}} {
		if err := n.check(at); err != nil {
			return err
		}
	}
	return checkAttributes(strings.TrimSuffix(at(""), "."), c.GetAttributes())
}

// number is an optional number of the plan and its bounds, both inside.
type number struct {
	field     string
	value     *float64
	low, high float64
}

func (n number) check(at func(string) string) error {
	if n.value == nil {
		return nil
	}
	if v := *n.value; math.IsNaN(v) || v < n.low || v > n.high {
		return errs.Field("PLAN_NUMBER_INVALID", at(n.field), fmt.Sprintf("must be %v to %v, and is %v", n.low, n.high, v))
	}
	return nil
}

func checkName(field, text string) error {
	if n := utf8.RuneCountInString(text); n > maxName {
		return errs.Field("PLAN_TEXT_TOO_LONG", field, fmt.Sprintf("has %d characters; at most %d are allowed", n, maxName))
	}
	return nil
}

func checkAttributes(field string, m map[string]string) error {
	if len(m) > maxAttributes {
		return errs.Field("PLAN_TOO_LARGE", field+".attributes", fmt.Sprintf("has %d attributes; at most %d are allowed", len(m), maxAttributes))
	}
	for _, name := range slices.Sorted(maps.Keys(m)) {
		v := m[name]
		if !attributeName.MatchString(name) {
			return errs.Field("PLAN_ATTRIBUTE_INVALID", field+".attributes", fmt.Sprintf("name %.80q must be lower-case letters, digits and underlines, beginning with a letter", name))
		}
		if owner := reserved[name]; owner != "" {
			return errs.Field("PLAN_ATTRIBUTE_INVALID", field+".attributes", fmt.Sprintf("%q is a field of its own of each %s", name, owner))
		}
		if err := checkName(field+".attributes."+name, v); err != nil {
			return err
		}
	}
	return nil
}
