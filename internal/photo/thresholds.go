package photo

import (
	"math"
	"strings"
	"time"

	"witnessmark/internal/errs"
)

// Subject says what the photo shows, because a wide view against the sky and a
// fibre's end face under a microscope cannot share one rule for light.
type Subject string

// The subjects with thresholds of their own; any other is judged as Other.
const (
	Other      Subject = ""
	Connector  Subject = "connector"   // the made joint, near
	MatingFace Subject = "mating face" // the open connector, near
	EndFace    Subject = "end face"    // a fibre under the microscope
	Mark       Subject = "mark"        // the witness mark across nut and body
	Tool       Subject = "tool"        // a torque tool or gauge with its scale
	Display    Subject = "display"     // an instrument's screen, photographed
	Label      Subject = "label"       // a serial number or certificate
	WideView   Subject = "wide view"   // the antenna, the mast, the site
)

// Limit is one figure with where it comes from.
type Limit struct {
	Value  float64
	Source string
}

// Thresholds are the figures that findings are judged by. Make them with
// DefaultThresholds and change what a contract asks for; every Limit needs its
// source.
type Thresholds struct {
	Megapixels         Limit // million pixels; fewer is an exception
	ShortSide          Limit // pixels; enough even with fewer megapixels
	ContractMegapixels Limit // million pixels that some contracts ask for; fewer is told
	Sharpness          Limit // variance of the Laplacian in the sharpest tile; less is soft
	MeanLow, MeanHigh  Limit // mean luma 0 to 255
	DarkShare          Limit // percent of samples at 5 or less
	BrightShare        Limit // percent of samples at 250 or more
	Spread             Limit // standard deviation of the luma; less shows nothing
	FlatShare          Limit // percent of samples in runs of one value; more is like a screen
	ExifTime           Limit // seconds between Exif and device time
	DeviceAhead        Limit // seconds of device time after receipt
	SentLate           Limit // seconds from device time to receipt
	ClockOffset        Limit // seconds that the device's clock is off
	PositionAccuracy   Limit // metres; a coarser position says nothing about the site
	TwinCoarse         Limit // bits of 64 that may differ in a twin
	TwinFine           Limit // bits of 256 that may differ in a twin
}

const (
	commonPractice = "common practice, no source"
	ours           = "measured with this program's own look-alike pictures"
)

// DefaultThresholds returns the default figures for a subject.
func DefaultThresholds(subject Subject) Thresholds {
	// Sharp generated pictures reach 40 to 160, those blurred by 4 of 4000 pixels
	// at most 8. The tutorial figure of 100 counts noise as sharpness.
	sharp := func(v float64) Limit {
		return Limit{v, "variance of the Laplacian: Pech-Pacheco et al., 2000; the figure: measured with this program's own pictures; set it by your own photos"}
	}
	t := Thresholds{
		Megapixels:         Limit{2, "UFGS 01 30 30 (November 2011, change 2), digital photographs"},
		ShortSide:          Limit{1080, commonPractice},
		ContractMegapixels: Limit{8, "published Section 01 32 33 specifications; the contract decides"},
		Sharpness:          sharp(15),
		MeanLow:            Limit{40, commonPractice},
		MeanHigh:           Limit{215, commonPractice},
		DarkShare:          Limit{5, commonPractice},
		BrightShare:        Limit{5, commonPractice},
		Spread:             Limit{4, commonPractice},
		FlatShare:          Limit{50, commonPractice},
		ExifTime:           Limit{(5 * time.Minute).Seconds(), commonPractice},
		DeviceAhead:        Limit{(2 * time.Minute).Seconds(), commonPractice},
		SentLate:           Limit{(72 * time.Hour).Seconds(), commonPractice},
		ClockOffset:        Limit{(2 * time.Minute).Seconds(), commonPractice},
		PositionAccuracy:   Limit{500, commonPractice},
		TwinCoarse:         Limit{defaultTwinCoarse, ours},
		TwinFine:           Limit{defaultTwinFine, ours},
	}
	practice := func(v float64) Limit { return Limit{v, commonPractice} }
	switch subject {
	case WideView: // much sky, small dark steel
		t.BrightShare, t.DarkShare = practice(30), practice(15)
		t.MeanHigh = practice(225)
		t.Sharpness = sharp(10)
	case EndFace: // a lit disc in a dark field; the microscope's camera is small
		t.MeanLow, t.DarkShare, t.BrightShare = practice(15), practice(70), practice(15)
		t.Megapixels, t.ShortSide = practice(0.3), practice(480)
		t.ContractMegapixels = practice(0.3)
		t.Sharpness = sharp(8)
	case Display: // a bright screen in a dark housing
		t.MeanLow, t.DarkShare, t.BrightShare = practice(25), practice(40), practice(25)
	case Tool: // a scale must be read
		t.Sharpness = sharp(25)
	case Label: // dark print on white, or the reverse
		t.Sharpness = sharp(25)
		t.DarkShare, t.BrightShare = practice(20), practice(40)
		t.MeanHigh = practice(235)
	case MatingFace: // the bore is black
		t.DarkShare = practice(15)
	}
	return t
}

// Subjects lists the subjects that have thresholds of their own, Other first.
func Subjects() []Subject {
	return []Subject{Other, Connector, MatingFace, EndFace, Mark, Tool, Display, Label, WideView}
}

// threshold is one figure of Thresholds with its name and its largest value.
type threshold struct {
	name  string
	limit *Limit
	max   float64
}

func (t *Thresholds) all() []threshold {
	return []threshold{
		{"megapixels", &t.Megapixels, 64}, {"short_side", &t.ShortSide, maxSide},
		{"contract_megapixels", &t.ContractMegapixels, 64}, {"sharpness", &t.Sharpness, 1.1e6},
		{"mean_low", &t.MeanLow, 255}, {"mean_high", &t.MeanHigh, 255},
		{"dark_share", &t.DarkShare, 100}, {"bright_share", &t.BrightShare, 100},
		{"spread", &t.Spread, 128}, {"flat_share", &t.FlatShare, 100},
		{"exif_time", &t.ExifTime, 1e9}, {"device_ahead", &t.DeviceAhead, 1e9},
		{"sent_late", &t.SentLate, 1e9}, {"clock_offset", &t.ClockOffset, 1e9},
		{"position_accuracy", &t.PositionAccuracy, 1e7},
		{"twin_coarse", &t.TwinCoarse, CoarseBits}, {"twin_fine", &t.TwinFine, FineBits},
	}
}

// ThresholdNames lists the names that With takes.
func ThresholdNames() []string {
	var t Thresholds
	var out []string
	for _, x := range t.all() {
		out = append(out, x.name)
	}
	return out
}

// With returns t with one figure replaced: what a contract or a company asks
// for instead of the default. Units are those of the fields of Thresholds.
//
// The errors are Invalid: THRESHOLD_UNKNOWN for a name that is not in
// ThresholdNames, THRESHOLD_OUT_OF_RANGE and THRESHOLD_WITHOUT_SOURCE.
func (t Thresholds) With(name string, limit Limit) (Thresholds, error) {
	for _, x := range t.all() {
		if x.name == name {
			*x.limit = limit
			return t, x.check()
		}
	}
	return t, errs.Field("THRESHOLD_UNKNOWN", "thresholds", "there is no photo threshold of this name; there are "+strings.Join(ThresholdNames(), ", "))
}

func (x threshold) check() error {
	field := "thresholds." + x.name
	if math.IsNaN(x.limit.Value) || x.limit.Value < 0 || x.limit.Value > x.max {
		return errs.Field("THRESHOLD_OUT_OF_RANGE", field,
			"a photo threshold lies from 0 to "+decimal(x.max, 0), "max", decimal(x.max, 0))
	}
	if strings.TrimSpace(x.limit.Source) == "" {
		return errs.Field("THRESHOLD_WITHOUT_SOURCE", field, "say where the figure comes from")
	}
	return nil
}

// check refuses thresholds that cannot be compared with.
func (t Thresholds) check() error {
	for _, x := range t.all() {
		if err := x.check(); err != nil {
			return err
		}
	}
	return nil
}
