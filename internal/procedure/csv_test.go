package procedure_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

const planCSV = `kind,id,title,medium,band,low_mhz,high_mhz,length_m,type,line,interface,position,sector,height_m,mating_parts,attribute.owner
line,A1,A1,coax,B8,880,960,42.5,7/8-foam,,,,,,,
connection,A1-top,A1 top,,,,,,,A1,7-16,"behind the antenna, left",A,38,plug|socket,
plan,site,,,,,,,,,,,,,,Example Owner
`

func wanted() *recordv1.Plan {
	low, high, length, height := 880.0, 960.0, 42.5, 38.0
	return &recordv1.Plan{
		Lines: []*recordv1.Plan_Line{{Id: "A1", Title: "A1", Medium: recordv1.Plan_Line_COAX, Band: "B8", LowMhz: &low, HighMhz: &high, LengthMeters: &length, Type: "7/8-foam"}},
		Connections: []*recordv1.Plan_Connection{{Id: "A1-top", Line: "A1", Title: "A1 top", Interface: "7-16", Position: "behind the antenna, left", Sector: "A", HeightMeters: &height,
			MatingParts: []string{"plug", "socket"}}},
		Attributes: map[string]string{"owner": "Example Owner"},
	}
}

// RFC 4180 in the ways that office programs write it.
func TestPlanCSV(t *testing.T) {
	semicolons := strings.NewReplacer("\"behind the antenna, left\"", "\"behind the antenna, left\"", "antenna,", "antenna\x00", ",", ";").Replace(planCSV)
	semicolons = strings.ReplaceAll(semicolons, "\x00", ",")
	for _, tc := range []struct{ name, text string }{
		{"commas", planCSV},
		{"a byte order mark", "\xef\xbb\xbf" + planCSV},
		{"line ends of RFC 4180", strings.ReplaceAll(planCSV, "\n", "\r\n")},
		{"no line end at the end", strings.TrimSuffix(planCSV, "\n")},
		{"empty rows", strings.ReplaceAll(planCSV, "\n", "\n\n") + ",,,,\n"},
		{"semicolons", semicolons},
		{"semicolons and decimal commas", strings.Replace(semicolons, "42.5", "42,5", 1)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, rows := procedure.ParsePlanCSV(strings.NewReader(tc.text))
			if len(rows) > 0 {
				t.Fatalf("errors %v; want none, of\n%s", rows, tc.text)
			}
			if want := wanted(); !proto.Equal(got, want) {
				t.Errorf("plan\n%v\nwant\n%v", got, want)
			}
		})
	}
}

func TestPlanCSVFibre(t *testing.T) {
	plan, rows := procedure.ParsePlanCSV(strings.NewReader("id;kind;medium;wavelengths_nm;splices;mated_pairs\nF1;LINE;Fibre;1310|1550;2;4\n"))
	if len(rows) > 0 {
		t.Fatal(rows)
	}
	l := plan.GetLines()[0]
	if !slices.Equal(l.GetWavelengthsNanometers(), []float64{1310, 1550}) || l.GetSpliceCount() != 2 || l.GetMatedPairCount() != 4 {
		t.Errorf("line %v; want 1310 and 1550 nm, 2 splices, 4 mated pairs", l)
	}
}

func TestPlanCSVErrors(t *testing.T) {
	for _, tc := range []struct {
		name, text string
		want       []string // row errors as printed, by their beginnings
	}{
		{"empty", "", []string{"the file is empty"}},
		{"not text", "\xff\xfek\x00i\x00", []string{"the file is not UTF-8"}},
		{"no kind", "id,title\nA,B\n", []string{"row 1, column kind: the column is missing"}},
		{"an unknown column", "kind,id,colour\n", []string{`row 1, column colour: "colour" is not a column`}},
		{"a column twice", "kind,id,ID\n", []string{"row 1, column id: the column is given twice"}},
		{"everything wrong in one row", "kind,id,medium,low_mhz,length_m,wavelengths_nm,interface\nline,A 1,copper,ten,-4,1310|1310,LC\n", []string{
			"row 2, column id: ", "row 2, column low_mhz: ", "row 2, column length_m: must be 0 to 200000", "row 2, column medium: ",
			"row 2, column wavelengths_nm: 1310 is given twice", "row 2, column interface: a line has no interface"}},
		{"a connection of no line", "kind,id,line\nconnection,c1,B9\n", []string{`row 2, column line: the plan has no line "B9"`}},
		{"an id twice", "kind,id,medium\nline,A,coax\n\nline,A,coax\n", []string{`row 4, column id: "A" is given twice, first in row 2`}},
		{"a decimal comma among commas", "kind,id,medium,length_m\nline,A,coax,\"4,5\"\n", []string{"row 2, column length_m: \"4,5\" has a decimal comma"}},
		{"grouped thousands", "kind;id;medium;length_m\nline;A;coax;1.234,5\n", []string{"row 2, column length_m: "}},
		{"an exponent", "kind,id,medium,length_m\nline,A,coax,1e3\n", []string{"row 2, column length_m: "}},
		{"not a number", "kind,id,medium,length_m\nline,A,coax,NaN\n", []string{"row 2, column length_m: "}},
		{"a broken quote", "kind,id,medium\nline,\"A,coax\n", []string{"row 2: cannot be read"}},
		{"more cells than columns", "kind,id,medium\nline,A,coax,extra\n", []string{"row 2: has 4 cells and the heading 3"}},
		{"a row below a cell with a line break", "kind,id,medium,title\nline,A,coax,\"two\nlines\"\nline,B,tin,\n", []string{"row 3, column medium"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			plan, rows := procedure.ParsePlanCSV(strings.NewReader(tc.text))
			if plan != nil {
				t.Errorf("a plan came back with errors")
			}
			if len(rows) != len(tc.want) {
				t.Fatalf("errors %v; want %d", rows, len(tc.want))
			}
			for i, w := range tc.want {
				if !strings.HasPrefix(rows[i].String(), w) {
					t.Errorf("error %d: %s; want it to begin with %s", i, rows[i], w)
				}
			}
		})
	}
}

func FuzzParsePlanCSV(f *testing.F) {
	f.Add(planCSV)
	f.Add("kind;id;medium;length_m\nline;A;coax;4,5\n")
	f.Add("\xef\xbb\xbfkind,id\n\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		plan, rows := procedure.ParsePlanCSV(strings.NewReader(text))
		if (plan == nil) == (len(rows) == 0) {
			t.Fatalf("plan %v with errors %v", plan, rows)
		}
		if plan != nil {
			if err := procedure.CheckPlan(plan); err != nil {
				t.Errorf("a plan that was taken does not pass its check: %v", err)
			}
		}
	})
}
