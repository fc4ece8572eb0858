package demo

import (
	"crypto/sha256"
	"fmt"
	"math"
	"strconv"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// Kit names the instruments that a crew has with it, by kind: "torque-wrench"
// to "instruments/…".
type Kit map[string]string

// Answer is an entry that answers a step, with the bytes that it names.
type Answer struct {
	Entry   *recordv1.Entry
	Bytes   []byte
	Purpose witnessmarkv1.BeginUploadRequest_Purpose
}

// Step is a step as the answers need it.
type Step struct {
	View       *witnessmarkv1.StepView
	Def        *recordv1.Step
	Section    *recordv1.Section
	Line       *recordv1.Plan_Line       // of the step or its connection; may be nil
	Connection *recordv1.Plan_Connection // may be nil
}

// texts are what a crew writes, by the step's id.
var texts = map[string]string{
	"crew":            "Cleo Turnbuckle leads and is the competent person; Ada Windlass and Bo Shackle climb. All of Tallow Knot Rigging.",
	"scope":           "Sector lines: open, clean, couple, torque, mark and test. Not part of it: the microwave dish and its mount.",
	"hazards":         "As planned. New: loose gravel at the base; the gate stays open for the van.",
	"tie-off":         "Cable grab on the way up, twin lanyard at transfers, work positioning at the mount. Anchors: mount pipe, leg step bolts excluded.",
	"emergency":       "Number on the board in the van, tried from here at the start. Site: 36.50000, -31.00000, gate on the south side; the route to the hospital is on the board too.",
	"first-aid":       "Kit behind the driver's seat; Cleo and Bo are trained; no defibrillator.",
	"fall-gear":       "Harness H-11, H-12; lanyard L-31, L-32; cable grab G-5, G-6: inspected by the wearers today, in date.",
	"electrical":      "Cabinet breaker 4 locked out by Cleo, key with her. No overhead lines within 60 m.",
	"falling-objects": "Tools on tethers; closed ring of 30 m, cones and tape; helmets for all.",
	"heat-cold":       "Water in the van, break every hour, shade on the north side.",
	"driving":         "Bo drives, 42 km, by day; load strapped and looked at.",
	"animals-people":  "No nests seen from the ground; two sheep outside the fence.",
	"chemicals-fire":  "Isopropanol 99 %, data sheet in the folder; extinguisher at the rear door.",
	"laser-fibre":     "Trunk fibres are off and capped; sharps box in the fibre bag.",
	"check-in":        "The office expects a call at noon and at 17:00; else it calls, then sends the second van.",
	"method":          "Controlled descent on the rescue kit from the mount, two rescuers, under ten minutes.",
	"rescuer":         "Cleo stays on the ground, trained to rescue; Ada and Bo are trained too.",
	"forecast":        "Forecast of 06:00: wind 4 to 8 m/s, no storms. We stop at 10 m/s or thunder within 16 km. Cleo watches.",
	"transmitters":    "The lines of this sector are off; confirmed by the control room at the start. The other sectors radiate away from the work.",
	"back-on":         "The control room was told that everyone is down and the sector may be switched on.",
}

// good are answers to a choice, where the first good one is not what was meant.
var good = map[string]string{"plan-class": "class-1", "assessed": "distances"}

// Answers makes the entries that answer a step well, in order: readings inside
// their limits, everything done and right. picture makes a photo.
//
// The error is Invalid DEMO_STEP for a step that it does not know how to answer.
func Answers(s Step, person string, kit Kit, picture func(step Step, subject *recordv1.PhotoStep_Subject, n int) []byte) ([]Answer, error) {
	entry := func(e *recordv1.Entry) *recordv1.Entry { e.Step = s.View.GetId(); return e }
	one := func(e *recordv1.Entry) []Answer { return []Answer{{Entry: entry(e)}} }
	switch k := s.Def.GetKind().(type) {
	case *recordv1.Step_Confirm:
		return one(&recordv1.Entry{Kind: &recordv1.Entry_Confirmed{Confirmed: &recordv1.Confirmed{Outcome: recordv1.Confirmed_DONE}}}), nil
	case *recordv1.Step_Acknowledge:
		a := &recordv1.Acknowledged{Person: person}
		if k.Acknowledge.GetAskFitness() {
			a.Fitness = recordv1.Acknowledged_FIT
		}
		return one(&recordv1.Entry{Kind: &recordv1.Entry_Acknowledged{Acknowledged: a}}), nil
	case *recordv1.Step_Choice:
		choice := good[s.Def.GetId()]
		for _, o := range k.Choice.GetOptions() {
			if choice == "" && o.GetGood() {
				choice = o.GetId()
			}
		}
		return one(&recordv1.Entry{Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: choice}}}), nil
	case *recordv1.Step_Text:
		text := texts[s.Def.GetId()]
		if text == "" {
			text = "Looked at together; nothing special today."
		}
		return one(&recordv1.Entry{Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Text: text}}}), nil
	case *recordv1.Step_Reading:
		var out []Answer
		for _, r := range readings(s, k.Reading, kit) {
			out = append(out, Answer{Entry: entry(&recordv1.Entry{Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: r}})})
		}
		return out, nil
	case *recordv1.Step_Torque:
		v, unit := inside(s.View.GetLimit(), recordv1.Measure_NEWTON_METERS)
		return one(&recordv1.Entry{Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{
			Typed: typed(v), Value: v, Unit: unit, Tool: kit["torque-wrench"], ToolSetting: measure(v, unit)}}}), nil
	case *recordv1.Step_KitCheck:
		return one(&recordv1.Entry{Kind: &recordv1.Entry_KitChecked{KitChecked: kitCheck(s, k.KitCheck, kit)}}), nil
	case *recordv1.Step_Trace:
		b := Trace(s.Line)
		d := sha256.Sum256(b)
		e := entry(&recordv1.Entry{Kind: &recordv1.Entry_TraceAttached{TraceAttached: &recordv1.TraceAttached{
			Digest: d[:], Size: int64(len(b)), FileName: s.Line.GetId() + ".s1p", Instrument: kit["sweep-instrument"]}}})
		return []Answer{{Entry: e, Bytes: b, Purpose: witnessmarkv1.BeginUploadRequest_TRACE}}, nil
	case *recordv1.Step_Photo:
		var out []Answer
		for _, sub := range k.Photo.GetSubjects() {
			for n := range max(int(sub.GetCount()), 1) {
				out = append(out, PhotoAnswer(s.View.GetId(), sub.GetId(), picture(s, sub, n)))
			}
		}
		return out, nil
	}
	return nil, errs.Newf(errs.Invalid, "DEMO_STEP", "the step %s asks for something that the demonstration does not know", s.View.GetId())
}

// PhotoAnswer is a photo of a subject of a step.
func PhotoAnswer(step, subject string, b []byte) Answer {
	d := sha256.Sum256(b)
	return Answer{Bytes: b, Purpose: witnessmarkv1.BeginUploadRequest_PHOTO, Entry: &recordv1.Entry{Step: step, Kind: &recordv1.Entry_PhotoAttached{
		PhotoAttached: &recordv1.PhotoAttached{Digest: d[:], Size: int64(len(b)), Subject: subject, HowTaken: recordv1.PhotoAttached_IN_APP}}}}
}

// taken writes the device's time and the site's place into a photo's entry.
func taken(e *recordv1.Entry, at *timestamppb.Timestamp, place *recordv1.Position) {
	if p := e.GetPhotoAttached(); p != nil {
		p.TakenTime, p.Position = at, place
	}
}

// ReadingAnswer is one reading of a step.
func ReadingAnswer(s Step, value float64, unit recordv1.Measure_Unit, kit Kit) Answer {
	r := reading(s, s.Def.GetReading(), kit)
	r.Typed, r.Value, r.Unit = typed(value), value, unit
	return Answer{Entry: &recordv1.Entry{Step: s.View.GetId(), Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: r}}}
}

func reading(s Step, k *recordv1.ReadingStep, kit Kit) *recordv1.ReadingTaken {
	r := &recordv1.ReadingTaken{Instrument: kit[k.GetInstrumentKind()]}
	switch k.GetQuantity() {
	case recordv1.Quantity_INTERMODULATION:
		r.CarrierPower = measure(43, recordv1.Measure_DECIBEL_MILLIWATTS)
		r.Setup = "Tapping each joint, then flexing the jumper."
	case recordv1.Quantity_WIND_SPEED:
		r.Instrument, r.Height = kit["anemometer"], measure(38, recordv1.Measure_METERS)
	}
	return r
}

func readings(s Step, k *recordv1.ReadingStep, kit Kit) []*recordv1.ReadingTaken {
	v, unit := inside(s.View.GetLimit(), k.GetUnit())
	switch k.GetQuantity() {
	case recordv1.Quantity_WIND_SPEED:
		v, unit = 5.2, recordv1.Measure_METERS_PER_SECOND
	case recordv1.Quantity_HEAT_INDEX:
		v, unit = 21, recordv1.Measure_CELSIUS
	case recordv1.Quantity_INTERMODULATION:
		v, unit = -157.4, recordv1.Measure_DECIBELS_CARRIER
	case recordv1.Quantity_LIFT_LOAD:
		v, unit = 35, recordv1.Measure_KILOGRAMS
	}
	waves := []float64{0}
	if k.GetEachWavelength() && len(s.Line.GetWavelengthsNanometers()) > 0 {
		waves = s.Line.GetWavelengthsNanometers()
	}
	dirs := []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_DIRECTION_UNSPECIFIED}
	if k.GetBothDirections() {
		dirs = []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_NEAR_TO_FAR, recordv1.ReadingTaken_FAR_TO_NEAR}
	}
	var out []*recordv1.ReadingTaken
	for _, w := range waves {
		for _, d := range dirs {
			r := reading(s, k, kit)
			r.Typed, r.Value, r.Unit, r.Direction = typed(v), v, unit, d
			if w != 0 {
				r.Wavelength = measure(w, recordv1.Measure_NANOMETERS)
			}
			out = append(out, r)
		}
	}
	return out
}

func kitCheck(s Step, k *recordv1.KitCheckStep, kit Kit) *recordv1.KitChecked {
	const dbc = recordv1.Measure_DECIBELS_CARRIER
	if k.GetKit() == "intermodulation" {
		power := measure(43, recordv1.Measure_DECIBEL_MILLIWATTS)
		part := func(setup recordv1.KitChecked_Part_Setup, v float64, instrument string) *recordv1.KitChecked_Part {
			return &recordv1.KitChecked_Part{Setup: setup, Read: measure(v, dbc), Instrument: instrument, CarrierPower: power}
		}
		return &recordv1.KitChecked{Analyser: kit["intermodulation-analyser"], Parts: []*recordv1.KitChecked_Part{
			part(recordv1.KitChecked_Part_SOURCE_DIRECT, -110.3, kit["intermodulation-source"]),
			part(recordv1.KitChecked_Part_LOAD_DIRECT, -173.1, kit["low-intermodulation-load"]),
			part(recordv1.KitChecked_Part_LOAD_ON_CABLE, -172.4, kit["test-cable"]),
			part(recordv1.KitChecked_Part_FLEXING, -171.8, kit["test-cable"]),
		}}
	}
	setup := map[string]recordv1.KitChecked_Part_Setup{"optical": recordv1.KitChecked_Part_OPTICAL_REFERENCE, "return-loss": recordv1.KitChecked_Part_REFERENCE_LOAD,
		"torque": recordv1.KitChecked_Part_TORQUE_TESTER}[k.GetKit()]
	analyser := map[string]string{"optical": kit["light-source-and-meter"], "return-loss": kit["sweep-instrument"], "torque": kit["torque-wrench"]}[k.GetKit()]
	v, unit := inside(s.View.GetLimit(), recordv1.Measure_DECIBELS)
	if k.GetKit() == "optical" {
		v, unit = 0.11, recordv1.Measure_DECIBELS
	}
	return &recordv1.KitChecked{Analyser: analyser, Parts: []*recordv1.KitChecked_Part{{Setup: setup, Read: measure(v, unit), Instrument: analyser}}}
}

// inside is a value well inside a limit, with at most two decimals.
func inside(l *recordv1.Assessment_AppliedLimit, unit recordv1.Measure_Unit) (float64, recordv1.Measure_Unit) {
	if l.GetUnit() != recordv1.Measure_UNIT_UNSPECIFIED {
		unit = l.GetUnit()
	}
	v := 1.0
	switch {
	case l == nil:
	case l.Lower != nil && l.Upper != nil:
		v = (l.GetLower() + l.GetUpper()) / 2
	case l.Lower != nil:
		v = l.GetLower() + math.Max(math.Abs(l.GetLower())*0.3, 0.5)
	case l.Upper != nil:
		v = l.GetUpper() - math.Abs(l.GetUpper())*0.4
	}
	return math.Round(v*100) / 100, unit
}

// typed is a value as it is keyed in: as few digits as it takes.
func typed(v float64) string {
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func measure(v float64, unit recordv1.Measure_Unit) *recordv1.Measure {
	return &recordv1.Measure{Typed: typed(v), Value: v, Unit: unit}
}

// Trace draws a one-port sweep of a line with its antenna: two small reflections,
// and a return loss of about 19 dB at its worst.
func Trace(line *recordv1.Plan_Line) []byte {
	low, high := 880.0, 960.0
	if line.LowMhz != nil && line.HighMhz != nil {
		low, high = line.GetLowMhz(), line.GetHighMhz()
	}
	length, factor := 30.0, 0.88
	if line.LengthMeters != nil {
		length = line.GetLengthMeters()
	}
	if line.VelocityFactor != nil {
		factor = line.GetVelocityFactor()
	}
	const points, light = 401, 299.792458 // metres a microsecond: the speed of light in m·MHz
	var b strings.Builder
	fmt.Fprintf(&b, "! invented sweep of %s\n# MHZ S RI R 50\n", line.GetId())
	for i := range points {
		f := low + (high-low)*float64(i)/(points-1)
		turn := -4 * math.Pi * f / (light * factor)
		re := 0.07*math.Cos(turn*length) + 0.04*math.Cos(turn*2.1)
		im := 0.07*math.Sin(turn*length) + 0.04*math.Sin(turn*2.1)
		fmt.Fprintf(&b, "%.6f %.8f %.8f\n", f, re, im)
	}
	return []byte(b.String())
}
