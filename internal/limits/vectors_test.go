package limits_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

var update = flag.Bool("update", false, "write the generated files anew")

// generated compares what the test made with a committed file, or writes it.
func generated(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; run the tests of this package with -update", err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not what this program makes; run the tests of this package with -update and read the difference", path)
	}
}

// vector is one judgement that the phone client makes too.
type vector struct {
	Name     string          `json:"name"`
	Quantity string          `json:"quantity"`
	Kind     string          `json:"kind"` // reading or torque
	Entry    json.RawMessage `json:"entry"`
	// Interface of the connection, for torque.
	Interface string          `json:"interface,omitempty"`
	Confirmed bool            `json:"confirmed,omitempty"`
	Limit     *vectorLimit    `json:"limit"` // null: no limit applies
	Pinned    json.RawMessage `json:"pinned,omitempty"`
	At        string          `json:"at"`
	Want      vectorWant      `json:"want"`
}

type vectorLimit struct {
	Lower               *float64 `json:"lower,omitempty"`
	Upper               *float64 `json:"upper,omitempty"`
	Unit                string   `json:"unit"`
	Source              string   `json:"source"` // as it is printed
	Rule                string   `json:"rule"`
	GuardFactor         float64  `json:"guardFactor,omitempty"`
	ExpandedUncertainty float64  `json:"expandedUncertainty,omitempty"`
}

type vectorWant struct {
	Verdict  string   `json:"verdict"`
	Sentence string   `json:"sentence"`
	Advice   string   `json:"advice,omitempty"`
	Warnings []string `json:"warnings,omitempty"` // codes
	ToolFlag bool     `json:"toolFlag,omitempty"`
}

func compact(t *testing.T, m proto.Message) json.RawMessage {
	t.Helper()
	b, err := protojson.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer // protojson's blanks differ from run to run on purpose
	if err := json.Compact(&out, b); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestVectors(t *testing.T) {
	ms, kmh := recordv1.Measure_METERS_PER_SECOND, recordv1.Measure_KILOMETERS_PER_HOUR
	wind := lim(open, 10.3, ms, simple)
	im := lim(open, -150, dBc, residual)
	torque := lim(24.4, 30, nm, simple)
	guardedLoss := lim(open, 10, dB, guarded)
	guardedLoss.Decision = &recordv1.Limit_Decision{Rule: guarded, GuardFactor: 1, ExpandedUncertainty: 0.5}
	mm, deg := recordv1.Measure_MILLIMETERS, recordv1.Measure_DEGREES
	ext := func(v float64, u recordv1.Measure_Unit, lever, reach float64, lu recordv1.Measure_Unit, angle float64) *recordv1.TorqueApplied {
		return &recordv1.TorqueApplied{Value: v, Unit: u, LeverLength: &recordv1.Measure{Value: lever, Unit: lu},
			ExtensionLength: &recordv1.Measure{Value: reach, Unit: lu}, ExtensionAngle: &recordv1.Measure{Value: angle, Unit: deg}}
	}
	type in struct {
		name      string
		q         recordv1.Quantity
		r         *recordv1.ReadingTaken
		t         *recordv1.TorqueApplied
		l         limits.Resolved
		pin       *recordv1.Assessment_Pinned
		confirmed bool
	}
	rl, lossQ, windQ, imQ := recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_LINE_LOSS, recordv1.Quantity_WIND_SPEED, recordv1.Quantity_INTERMODULATION
	var out []vector
	for _, c := range []in{
		{name: "return loss on the limit", q: rl, r: reading(18, dB), l: lim(18, open, dB, simple)},
		{name: "return loss inside", q: rl, r: reading(21.4, dB), l: lim(18, open, dB, simple)},
		{name: "return loss outside", q: rl, r: reading(16.9, dB), l: lim(18, open, dB, simple)},
		{name: "return loss typed with a minus", q: rl, r: reading(-18.5, dB), l: lim(18, open, dB, simple)},
		{name: "return loss with a minus, confirmed", q: rl, r: reading(-18.5, dB), l: lim(18, open, dB, simple), confirmed: true},
		{name: "1.33 for a return loss", q: rl, r: reading(1.33, dB), l: lim(18, open, dB, simple)},
		{name: "standing-wave ratio against return loss", q: recordv1.Quantity_STANDING_WAVE_RATIO, r: reading(1.3, rat), l: lim(14, open, dB, simple)},
		{name: "return loss against standing-wave ratio", q: rl, r: reading(13, dB), l: lim(open, 1.5, rat, simple)},
		{name: "a window", q: recordv1.Quantity_TEMPERATURE, r: reading(-5, recordv1.Measure_CELSIUS), l: lim(-20, 40, recordv1.Measure_CELSIUS, simple)},
		{name: "no limit", q: recordv1.Quantity_TEMPERATURE, r: reading(23, recordv1.Measure_CELSIUS), l: limits.Resolved{None: true}},
		{name: "guard band, proven", q: lossQ, r: reading(9.5, dB), l: guardedLoss},
		{name: "guard band, not proven", q: lossQ, r: reading(9.6, dB), l: guardedLoss},
		{name: "guard band, fail inside the uncertainty", q: lossQ, r: reading(10.4, dB), l: guardedLoss},
		{name: "wind in knots", q: windQ, r: reading(20, recordv1.Measure_KNOTS), l: wind},
		{name: "wind in kilometres per hour, on the limit", q: windQ, r: reading(37.08, kmh), l: wind},
		{name: "wind in miles per hour, over", q: windQ, r: reading(24, recordv1.Measure_MILES_PER_HOUR), l: wind},
		{name: "a gust", q: windQ, r: &recordv1.ReadingTaken{Value: 9, Unit: ms, Gust: true}, l: wind},
		{name: "heat index in Fahrenheit", q: recordv1.Quantity_HEAT_INDEX, r: reading(103, recordv1.Measure_FAHRENHEIT), l: lim(open, 39.4, recordv1.Measure_CELSIUS, simple)},
		{name: "intermodulation, proven", q: imQ, r: reading(-155, dBc), l: im, pin: kit(-172)},
		{name: "intermodulation, not proven", q: imQ, r: reading(-150.3, dBc), l: im, pin: kit(-172)},
		{name: "intermodulation, over inside the error", q: imQ, r: reading(-149.8, dBc), l: im, pin: kit(-172)},
		{name: "intermodulation, over", q: imQ, r: reading(-140, dBc), l: im, pin: kit(-172)},
		{name: "intermodulation under the residual", q: imQ, r: reading(-173, dBc), l: im, pin: kit(-170)},
		{name: "intermodulation that this kit cannot tell", q: imQ, r: reading(-152, dBc), l: im, pin: kit(-151)},
		{name: "intermodulation in dBm", q: imQ, r: carrier(reading(-110, dBm), 20), l: im, pin: kit(-172)},
		{name: "intermodulation in dBm without the carrier", q: imQ, r: reading(-110, dBm), l: im, pin: kit(-172)},
		{name: "intermodulation without a kit check", q: imQ, r: reading(-160, dBc), l: im},
		{name: "torque", t: &recordv1.TorqueApplied{Value: 25.5, Unit: nm}, l: torque},
		{name: "torque of an 18 ft·lbf tool", t: &recordv1.TorqueApplied{Value: 18, Unit: recordv1.Measure_FOOT_POUNDS}, l: torque},
		{name: "torque too little", t: &recordv1.TorqueApplied{Value: 20, Unit: nm}, l: torque},
		{name: "torque with an extension in line", t: ext(25, nm, 400, 50, mm, 0), l: torque},
		{name: "torque with an extension at 45 degrees", t: ext(25, nm, 400, 50, mm, 45), l: torque},
		{name: "torque with an extension at a right angle", t: ext(25, nm, 400, 50, mm, 90), l: torque},
		{name: "torque with an extension in inches", t: ext(18, recordv1.Measure_FOOT_POUNDS, 12, 2, recordv1.Measure_INCHES, 0), l: torque},
		{name: "torque with an extension and no lever", t: &recordv1.TorqueApplied{Value: 25, Unit: nm, ExtensionLength: &recordv1.Measure{Value: 50, Unit: mm}}, l: torque},
		{name: "torque with an expired tool", t: &recordv1.TorqueApplied{Value: 25, Unit: nm}, l: torque, pin: &recordv1.Assessment_Pinned{ToolCalibratedUntil: "2026-03-04"}},
	} {
		v := vector{Name: c.name, Kind: "reading", Confirmed: c.confirmed, At: noon.Format("2006-01-02T15:04:05Z")}
		var j limits.Judgement
		if c.t != nil {
			c.q, v.Kind, v.Interface = recordv1.Quantity_TORQUE, "torque", "7-16"
			v.Entry = compact(t, c.t)
			j = limits.JudgeTorque(c.t, c.confirmed, v.Interface, c.l, c.pin, noon)
		} else {
			v.Entry = compact(t, c.r)
			j = limits.JudgeReading(c.q, c.r, c.confirmed, c.l, c.pin, noon)
		}
		v.Quantity = c.q.String()
		if !c.l.None {
			v.Limit = &vectorLimit{c.l.Lower, c.l.Upper, c.l.Unit.String(), limits.SourceText(c.l.Source), c.l.Decision.GetRule().String(), c.l.Decision.GetGuardFactor(), c.l.Decision.GetExpandedUncertainty()}
		}
		if c.pin != nil {
			v.Pinned = compact(t, c.pin)
		}
		v.Want = vectorWant{Verdict: j.Verdict.String(), Sentence: j.Sentence, Advice: j.Advice, ToolFlag: j.ToolFlag}
		for _, w := range j.Warnings {
			v.Want.Warnings = append(v.Want.Warnings, w.GetCode())
		}
		out = append(out, v)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(out); err != nil {
		t.Fatal(err)
	}
	generated(t, filepath.Join("..", "..", "testdata", "vectors", "judgement.json"), b.Bytes())
}
