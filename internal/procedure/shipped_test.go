package procedure_test

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

var noon = time.Date(2026, 3, 5, 12, 0, 0, 0, time.UTC)

func shipped(t *testing.T, id string) *procedure.Compiled {
	t.Helper()
	doc, err := procedure.ShippedDocument(id)
	if err != nil {
		t.Fatalf("%s:\n%v", id, err)
	}
	c, err := procedure.Compile(doc)
	if err != nil {
		t.Fatalf("%s:\n%v", id, err)
	}
	return c
}

func TestShippedAreWhole(t *testing.T) {
	if want := []string{"antenna-line", "fibre-trunk", "tower-day"}; !slices.Equal(procedure.Shipped(), want) {
		t.Fatalf("shipped: %v; want %v", procedure.Shipped(), want)
	}
	// Words that read as leave to climb, lift or stay.
	forbidden := regexp.MustCompile(`(?i)\b(safe|safely|go|ok|okay|cleared|permitted|seguro|segura)\b`)
	for _, id := range procedure.Shipped() {
		t.Run(id, func(t *testing.T) {
			c := shipped(t, id)
			if missing := c.Untranslated("es"); len(missing) > 0 {
				t.Errorf("without Spanish: %v", missing)
			}
			for _, lang := range c.Languages() {
				for _, path := range c.Paths() {
					text := c.Text(lang, path)
					if w := forbidden.FindString(text); w != "" {
						t.Errorf("%s %s says %q: %s", lang, path, w, text)
					}
				}
			}
			again, err := procedure.ShippedDocument(id)
			if err != nil || procedure.Digest(again) != c.Digest {
				t.Errorf("written out again it has another digest (%v)", err)
			}
			for _, s := range c.Proc.GetSections() {
				for _, st := range s.GetSteps() {
					if st.GetSource() == nil && st.GetText() == nil && st.GetReading().GetLimit() == nil {
						t.Errorf("%s/%s says nowhere what it rests on", s.GetId(), st.GetId())
					}
				}
			}
			checkNotes(t, c)
		})
	}
}

// Every default limit says that the owner's written limit wins.
func checkNotes(t *testing.T, c *procedure.Compiled) {
	t.Helper()
	check := func(where string, l *recordv1.Limit) {
		if l != nil && l.GetShared() == "" && !strings.Contains(l.GetNote(), "owner's written limit wins") {
			t.Errorf("%s: the note does not say that the owner's written limit wins: %q", where, l.GetNote())
		}
	}
	for name, l := range c.Proc.GetLimits() {
		check("limit "+name, l)
	}
	for _, s := range c.Proc.GetSections() {
		for _, st := range s.GetSteps() {
			for _, l := range []*recordv1.Limit{st.GetReading().GetLimit(), st.GetTorque().GetLimit(), st.GetTrace().GetLimit(), st.GetKitCheck().GetSourceLimit(), st.GetKitCheck().GetResidualLimit()} {
				check(s.GetId()+"/"+st.GetId(), l)
			}
		}
	}
}

// Nothing on the structure begins before briefing, rescue plan, weather,
// exposure, fall clearance and rigging of the climb.
func TestShippedGates(t *testing.T) {
	for _, id := range []string{"antenna-line", "fibre-trunk"} {
		c := shipped(t, id)
		for _, s := range c.Proc.GetSections() {
			if !s.GetOnStructure() {
				continue
			}
			for _, gate := range []string{"briefing", "rescue", "weather", "exposure", "fall", "rigging"} {
				if !slices.Contains(s.GetRequires(), gate) {
					t.Errorf("%s: section %s does not require %s", id, s.GetId(), gate)
				}
			}
			if !slices.Contains(s.GetQualifications(), "climbing") {
				t.Errorf("%s: section %s asks nobody's qualification", id, s.GetId())
			}
		}
	}
}

func TestShippedAntennaLine(t *testing.T) {
	c := shipped(t, "antenna-line")
	plan := proceduretest.Plan()
	plan.Connections[1].Interface = "4.3-10"
	plan.Connections[1].Attributes = map[string]string{"coupling": "quick-lock"}
	plan.Lines[1].FarEquipment = "load"
	e, err := c.Expand(plan, []string{"k1"})
	if err != nil {
		t.Fatal(err)
	}
	if missing := e.MissingForLimits(); len(missing) > 0 {
		t.Errorf("missing: %v", missing)
	}
	if e.Step("connection:A1-bottom/couple/torque") != nil || e.Step("connection:A1-bottom/couple/hand-tight") == nil {
		t.Error("a quick-lock coupling is asked for a torque, or not asked at all")
	}
	for id, want := range map[string]float64{"line:A1/test/intermodulation": -140, "line:A2/test/intermodulation": -150} {
		if l := e.Step(id).Limit; l == nil || l.Upper == nil || *l.Upper != want || l.Decision.GetRule() != recordv1.Limit_Decision_RESIDUAL {
			t.Errorf("%s: limit %+v; want at most %v, with the residual", id, l, want)
		}
	}
	if l := e.Step("connection:A1-top/couple/torque").Limit; l == nil || *l.Lower != 24.4 || *l.Upper != 30 {
		t.Errorf("torque of 7-16: %+v; want 24.4 to 30", l)
	}
	// Tones: everyone clear before them, confirmed off after them.
	var order []string
	for _, s := range e.Section("line:A1/test") {
		order = append(order, s.Def.GetId())
	}
	clear, on, off := slices.Index(order, "clear"), slices.Index(order, "intermodulation"), slices.Index(order, "tones-off")
	if clear < 0 || !(clear < on && on < off) {
		t.Errorf("order of the test: %v; want clear, intermodulation, tones-off", order)
	}
}

func TestShippedFibreTrunk(t *testing.T) {
	c := shipped(t, "fibre-trunk")
	length := 120.0
	plan := &recordv1.Plan{
		Lines:       []*recordv1.Plan_Line{{Id: "F1", Medium: recordv1.Plan_Line_FIBRE, Type: "OS2", LengthMeters: &length, MatedPairCount: 2, WavelengthsNanometers: []float64{1310, 1550}}},
		Connections: []*recordv1.Plan_Connection{{Id: "F1-top", Line: "F1", Interface: "LC", Polish: "UPC"}},
	}
	e, err := c.Expand(plan, []string{"k1"})
	if err != nil {
		t.Fatal(err)
	}
	if missing := e.MissingForLimits(); len(missing) > 0 {
		t.Errorf("missing: %v", missing)
	}
	loss := e.Step("line:F1/test/loss").Limit
	// TIA-568: 0.120 · 0.5 + 2 · 0.75 = 1.56 dB.
	at, ok := loss.At(1310)
	if !ok || *at.Upper != 1.56 {
		t.Errorf("budget at 1310 nm: %+v; want 1.56", at)
	}
	j := limits.JudgeReading(recordv1.Quantity_FIBRE_LOSS, &recordv1.ReadingTaken{Value: 1.4, Unit: recordv1.Measure_DECIBELS, Wavelength: &recordv1.Measure{Value: 1550, Unit: recordv1.Measure_NANOMETERS}}, false, *loss, nil, noon)
	if j.Verdict != recordv1.Verdict_PASS {
		t.Errorf("1.4 dB at 1550 nm: %v, %s", j.Verdict, j.Sentence)
	}
}

func TestShippedUnknown(t *testing.T) {
	for _, id := range []string{"none", "../procedure", ""} {
		if _, err := procedure.ShippedDocument(id); !errs.Is(err, "PROCEDURE_UNKNOWN") {
			t.Errorf("%q: %v; want PROCEDURE_UNKNOWN", id, err)
		}
	}
	doc, err := procedure.ShippedSource("antenna-line")
	if err != nil || !bytes.Contains(doc, []byte("include: [tower-day]")) {
		t.Errorf("the source does not name its include (%v)", err)
	}
}
