package procedure

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"witnessmark/internal/errs"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// RowError is one thing wrong with a plan in CSV form.
type RowError struct {
	Row     int    // from 1, the heading; 0 for the file as a whole
	Column  string // the heading's name; empty for the row as a whole
	Message string
}

// String is the error in words: "row 3, column length_m: …".
func (e RowError) String() string {
	switch {
	case e.Row == 0:
		return e.Message
	case e.Column == "":
		return fmt.Sprintf("row %d: %s", e.Row, e.Message)
	}
	return fmt.Sprintf("row %d, column %s: %s", e.Row, e.Column, e.Message)
}

const (
	maxCSV      = 4 << 20 // bytes
	maxRowError = 100
	maxColumns  = 100
)

// The columns of a plan, beside kind and id. An attribute has a column
// attribute.<name>.
var planColumns = []string{
	"kind", "id", "title", "line", "medium", "band", "low_mhz", "high_mhz", "length_m", "type", "loss_db_per_100m",
	"velocity_factor", "impedance_ohm", "splices", "mated_pairs", "wavelengths_nm", "near_equipment", "far_equipment",
	"interface", "position", "sector", "height_m", "azimuth_deg", "mating_parts", "polish",
}

// ParsePlanCSV reads a plan from CSV (RFC 4180), UTF-8 with or without a byte
// order mark. The first row holds the names of the columns, in any order: kind
// and id are needed. kind is line, connection or plan (attributes of the whole
// job). Several wavelengths or mating parts in one cell are separated by "|".
//
// Cells are separated by commas or by semicolons, whichever the heading has;
// with semicolons, and only then, a number may have a decimal comma.
//
// The plan is nil when there is any error. Errors name row, column and what is
// wrong; a plan read without error passes CheckPlan.
func ParsePlanCSV(r io.Reader) (*recordv1.Plan, []RowError) {
	data, err := io.ReadAll(io.LimitReader(r, maxCSV+1))
	switch {
	case err != nil:
		return nil, []RowError{{Message: "the file cannot be read: " + err.Error()}}
	case len(data) > maxCSV:
		return nil, []RowError{{Message: fmt.Sprintf("the file has more than %d bytes", maxCSV)}}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) || !utf8.Valid(data) {
		return nil, []RowError{{Message: "the file is not UTF-8 text; save it as CSV UTF-8"}}
	}
	p := &planReader{plan: &recordv1.Plan{}, ids: map[string]int{}}
	p.read(data)
	if len(p.errs) > 0 {
		return nil, p.errs
	}
	if err := CheckPlan(p.plan); err != nil {
		return nil, []RowError{{Message: sentenceOf(err)}}
	}
	return p.plan, nil
}

type planReader struct {
	plan    *recordv1.Plan
	errs    []RowError
	heading []string
	comma   bool // decimal commas may stand in numbers
	row     int
	cells   []string
	ids     map[string]int // kind and id to the row
	lines   map[string]bool
}

func (p *planReader) fail(column, format string, args ...any) {
	if len(p.errs) < maxRowError {
		p.errs = append(p.errs, RowError{p.row, column, fmt.Sprintf(format, args...)})
	}
}

func (p *planReader) read(data []byte) {
	first, _, err := bufio.NewReader(bytes.NewReader(data)).ReadLine()
	if err != nil {
		p.fail("", "the file is empty")
		return
	}
	in := csv.NewReader(bytes.NewReader(data))
	in.FieldsPerRecord = -1
	if bytes.Count(first, []byte(";")) > bytes.Count(first, []byte(",")) {
		in.Comma, p.comma = ';', true
	}
	type deferred struct {
		row   int
		cells []string
	}
	var connections []deferred
	breaks := 0
	for {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var pe *csv.ParseError
			if errors.As(err, &pe) {
				p.row = pe.StartLine
				p.fail("", "cannot be read: %v (line %d)", pe.Err, pe.Line)
			} else {
				p.fail("", "cannot be read: %v", err)
			}
			return // past a broken quote nothing can be trusted
		}
		// The reader passes over empty rows in silence, and a cell may hold line
		// breaks: a row's number is its line less the breaks inside cells above.
		line, _ := in.FieldPos(0)
		p.row = line - breaks
		for _, c := range cells {
			breaks += strings.Count(c, "\n")
		}
		if p.heading == nil {
			if !p.head(cells) {
				return
			}
			continue
		}
		if empty(cells) {
			continue
		}
		p.cells = cells
		if len(cells) > len(p.heading) && !empty(cells[len(p.heading):]) {
			p.fail("", "has %d cells and the heading %d", len(cells), len(p.heading))
			continue
		}
		switch kind := strings.ToLower(p.cell("kind")); kind {
		case "line":
			p.line()
		case "connection":
			connections = append(connections, deferred{p.row, cells})
		case "plan":
			for name, v := range p.attributes() {
				if p.plan.Attributes == nil {
					p.plan.Attributes = map[string]string{}
				}
				p.plan.Attributes[name] = v
			}
		default:
			p.fail("kind", "%.40q must be line, connection or plan", kind)
		}
	}
	if p.heading == nil {
		p.fail("", "the file is empty")
		return
	}
	// Connections last, so that a line may stand below its connections.
	p.lines = map[string]bool{}
	for _, l := range p.plan.GetLines() {
		p.lines[l.GetId()] = true
	}
	for _, c := range connections {
		p.row, p.cells = c.row, c.cells
		p.connection()
	}
	slices.SortStableFunc(p.errs, func(a, b RowError) int { return a.Row - b.Row })
}

func empty(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

func (p *planReader) head(cells []string) bool {
	if len(cells) > maxColumns {
		p.fail("", "has %d columns; at most %d are allowed", len(cells), maxColumns)
		return false
	}
	for len(cells) > 0 && strings.TrimSpace(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1] // office programs leave empty columns behind
	}
	for _, c := range cells {
		name := strings.ToLower(strings.TrimSpace(c))
		switch attribute, isAttribute := strings.CutPrefix(name, "attribute."); {
		case slices.Contains(p.heading, name):
			p.fail(name, "the column is given twice")
		case isAttribute && !attributeName.MatchString(attribute):
			p.fail(name, "an attribute's name is lower-case letters, digits and underlines")
		case isAttribute && reserved[attribute] != "":
			p.fail(name, "has a column of its own: %s", attribute)
		case !isAttribute && !slices.Contains(planColumns, name):
			p.fail(name, "%.60q is not a column of a plan; columns are %s, attribute.<name>", name, strings.Join(planColumns, ", "))
		}
		p.heading = append(p.heading, name)
	}
	for _, needed := range []string{"kind", "id"} {
		if !slices.Contains(p.heading, needed) {
			p.fail(needed, "the column is missing")
		}
	}
	return len(p.errs) == 0
}

func (p *planReader) cell(name string) string {
	if i := slices.Index(p.heading, name); i >= 0 && i < len(p.cells) {
		return strings.TrimSpace(p.cells[i])
	}
	return ""
}

// text is a cell held to the bound of a name.
func (p *planReader) text(name string) string {
	v := p.cell(name)
	if n := utf8.RuneCountInString(v); n > maxName {
		p.fail(name, "has %d characters; at most %d are allowed", n, maxName)
	}
	return v
}

func (p *planReader) id(kind string) string {
	id := p.cell("id")
	if !planID.MatchString(id) {
		p.fail("id", "%.80q must be 1 to 64 letters, digits, dots, dashes or underlines", id)
	}
	if first, twice := p.ids[kind+" "+id]; twice {
		p.fail("id", "%q is given twice, first in row %d", id, first)
	} else {
		p.ids[kind+" "+id] = p.row
	}
	return id
}

// number reads a cell with a number within bounds; nil for an empty one.
func (p *planReader) number(name string, low, high float64) *float64 {
	v := p.cell(name)
	if v == "" {
		return nil
	}
	return p.parse(name, v, low, high)
}

func (p *planReader) parse(name, v string, low, high float64) *float64 {
	plain := v
	switch strings.Count(v, ",") {
	case 0:
	case 1:
		if !p.comma {
			p.fail(name, "%.40q has a decimal comma; that is read only in a file separated by semicolons", v)
			return nil
		}
		plain = strings.Replace(v, ",", ".", 1)
	default:
		p.fail(name, "%.40q is not a number", v)
		return nil
	}
	if strings.ContainsFunc(plain, func(r rune) bool { return !strings.ContainsRune("0123456789.+-", r) }) {
		p.fail(name, "%.40q is not a plain number", v)
		return nil
	}
	x, err := strconv.ParseFloat(plain, 64)
	if err != nil {
		p.fail(name, "%.40q is not a number", v)
		return nil
	}
	if !(x >= low && x <= high) {
		p.fail(name, "must be %v to %v, and is %.40s", low, high, v)
		return nil
	}
	return &x
}

func (p *planReader) count(name string) int32 {
	x := p.number(name, 0, 1000)
	switch {
	case x == nil:
		return 0
	case *x != float64(int32(*x)):
		p.fail(name, "must be a whole number")
		return 0
	}
	return int32(*x)
}

// attributes reads the cells of attribute columns that are not empty.
func (p *planReader) attributes() map[string]string {
	var out map[string]string
	for _, h := range p.heading {
		name, ok := strings.CutPrefix(h, "attribute.")
		if !ok {
			continue
		}
		if v := p.text(h); v != "" {
			if out == nil {
				out = map[string]string{}
			}
			out[name] = v
		}
	}
	return out
}

// unused reports cells of the other kind, which would be lost in silence.
func (p *planReader) unused(kind string, columns ...string) {
	for _, c := range columns {
		if p.cell(c) != "" {
			p.fail(c, "a %s has no %s", kind, c)
		}
	}
}

func (p *planReader) line() {
	l := &recordv1.Plan_Line{
		Id: p.id("line"), Title: p.text("title"), Band: p.text("band"), Type: p.text("type"),
		LowMhz: p.number("low_mhz", 0.1, 300_000), HighMhz: p.number("high_mhz", 0.1, 300_000),
		LengthMeters: p.number("length_m", 0, 200_000), LossDbPer_100M: p.number("loss_db_per_100m", 0, 1_000),
		VelocityFactor: p.number("velocity_factor", 0.1, 1), ImpedanceOhms: p.number("impedance_ohm", 1, 1_000),
		SpliceCount: p.count("splices"), MatedPairCount: p.count("mated_pairs"),
		NearEquipment: p.text("near_equipment"), FarEquipment: p.text("far_equipment"), Attributes: p.attributes(),
	}
	switch m := strings.ToLower(p.cell("medium")); m {
	case "coax":
		l.Medium = recordv1.Plan_Line_COAX
	case "fibre", "fiber":
		l.Medium = recordv1.Plan_Line_FIBRE
	default:
		p.fail("medium", "%.40q must be coax or fibre", m)
	}
	if l.LowMhz != nil && l.HighMhz != nil && *l.LowMhz > *l.HighMhz {
		p.fail("high_mhz", "must not be under low_mhz")
	}
	if w := p.cell("wavelengths_nm"); w != "" {
		parts := strings.Split(w, "|")
		if len(parts) > maxWavelengths {
			p.fail("wavelengths_nm", "has %d wavelengths; at most %d are allowed", len(parts), maxWavelengths)
			parts = nil
		}
		for _, part := range parts {
			x := p.parse("wavelengths_nm", strings.TrimSpace(part), 400, 2_000)
			switch {
			case x == nil:
			case slices.Contains(l.WavelengthsNanometers, *x):
				p.fail("wavelengths_nm", "%v is given twice", *x)
			default:
				l.WavelengthsNanometers = append(l.WavelengthsNanometers, *x)
			}
		}
	}
	p.unused("line", "line", "interface", "position", "sector", "height_m", "azimuth_deg", "mating_parts", "polish")
	if len(p.plan.Lines) >= MaxLines {
		p.fail("", "is over the bound of %d lines", MaxLines)
		return
	}
	p.plan.Lines = append(p.plan.Lines, l)
}

func (p *planReader) connection() {
	c := &recordv1.Plan_Connection{
		Id: p.id("connection"), Line: p.cell("line"), Title: p.text("title"), Interface: p.text("interface"),
		Position: p.text("position"), Sector: p.text("sector"), Polish: p.text("polish"),
		HeightMeters: p.number("height_m", -100, 2_000), AzimuthDegrees: p.number("azimuth_deg", 0, 360),
		Attributes: p.attributes(),
	}
	if !p.lines[c.GetLine()] {
		p.fail("line", "the plan has no line %.80q", c.GetLine())
	}
	if parts := p.text("mating_parts"); parts != "" {
		for _, part := range strings.Split(parts, "|") {
			c.MatingParts = append(c.MatingParts, strings.TrimSpace(part))
		}
		if len(c.MatingParts) > maxParts {
			p.fail("mating_parts", "has %d parts; at most %d are allowed", len(c.MatingParts), maxParts)
		}
	}
	p.unused("connection", "medium", "band", "low_mhz", "high_mhz", "length_m", "type", "loss_db_per_100m", "velocity_factor",
		"impedance_ohm", "splices", "mated_pairs", "wavelengths_nm", "near_equipment", "far_equipment")
	if len(p.plan.Connections) >= MaxConnections {
		p.fail("", "is over the bound of %d connections", MaxConnections)
		return
	}
	p.plan.Connections = append(p.plan.Connections, c)
}

// PlanError is all row errors as one classified error; nil for none.
func PlanError(rows []RowError) error {
	if len(rows) == 0 {
		return nil
	}
	lines := make([]string, len(rows))
	for i, r := range rows {
		lines[i] = r.String()
	}
	return errs.New(errs.Invalid, "PLAN_CSV_INVALID", strings.Join(lines, "; "), "errors", strconv.Itoa(len(rows)))
}
