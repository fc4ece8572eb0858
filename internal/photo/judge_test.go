package photo

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/errs"
	"witnessmark/internal/photo/testpicture"
)

// sound is a measurement that gives no finding with soundFacts.
func sound() Measurement {
	return Measurement{
		Outcome: Examined, Header: Header{Format: JPEG, Width: 4000, Height: 3000, Frames: 1, Ended: true},
		Exif:      Exif{Present: true, Orientation: 1, Camera: true, Taken: noon, OffsetKnown: true, Position: &Position{50, 8, 5}},
		Sharpness: 60, SharpnessWhole: 60, MeanLuma: 120, Spread: 40, DarkPercent: 1, BrightPercent: 1,
	}
}

func soundFacts() Facts {
	zero := time.Duration(0)
	return Facts{
		Subject: Connector, HowTaken: InApp, DeviceTime: noon, ClockOffset: &zero, ReceiptTime: noon.Add(time.Hour),
		Position: &Position{50, 8, 10}, Site: &Site{50, 8, 150},
	}
}

func TestJudge(t *testing.T) {
	offset := func(d time.Duration) *time.Duration { return &d }
	berlin := time.FixedZone("Example/Zone", 3600)
	for _, tc := range []struct {
		name   string
		change func(*Measurement, *Facts)
		twins  []Match
		want   []string // code, severity
	}{
		{"a sound photo", func(*Measurement, *Facts) {}, nil, nil},
		{"too small both ways", func(m *Measurement, _ *Facts) { m.Header.Width, m.Header.Height = 1600, 1000 }, nil, []string{"PHOTO_TOO_SMALL exception"}},
		{"2 megapixels are enough, 8 may be asked", func(m *Measurement, _ *Facts) { m.Header.Width, m.Header.Height = 2000, 1000 }, nil, []string{"PHOTO_UNDER_CONTRACT_SIZE info"}},
		{"a short side of 1,080 is enough", func(m *Measurement, _ *Facts) { m.Header.Width, m.Header.Height = 1440, 1080 }, nil, []string{"PHOTO_UNDER_CONTRACT_SIZE info"}},
		{"soft", func(m *Measurement, _ *Facts) { m.Sharpness = 14.9 }, nil, []string{"PHOTO_SOFT exception"}},
		{"just sharp", func(m *Measurement, _ *Facts) { m.Sharpness = 15 }, nil, nil},
		{"a scale must be sharper", func(m *Measurement, f *Facts) { m.Sharpness = 15; f.Subject = Tool }, nil, []string{"PHOTO_SOFT exception"}},
		{"dark", func(m *Measurement, _ *Facts) { m.MeanLuma = 39 }, nil, []string{"PHOTO_DARK exception"}},
		{"a fibre's end face is dark by nature", func(m *Measurement, f *Facts) { m.MeanLuma, m.DarkPercent, f.Subject = 39, 60, EndFace }, nil, nil},
		{"bright", func(m *Measurement, _ *Facts) { m.MeanLuma = 216 }, nil, []string{"PHOTO_BRIGHT exception"}},
		{"black without detail", func(m *Measurement, _ *Facts) { m.DarkPercent = 6 }, nil, []string{"PHOTO_CLIPPED_DARK exception"}},
		{"white without detail", func(m *Measurement, _ *Facts) { m.BrightPercent = 6 }, nil, []string{"PHOTO_CLIPPED_BRIGHT exception"}},
		{"a wide view has a white sky", func(m *Measurement, f *Facts) { m.BrightPercent = 25; f.Subject = WideView }, nil, nil},
		{"one even tone has no twins and no sharpness", func(m *Measurement, f *Facts) { m.Spread, m.Sharpness, m.FlatPercent = 1, 0, 100 },
			[]Match{{ID: "a"}}, []string{"PHOTO_BLANK exception"}},
		{"even areas and no camera", func(m *Measurement, _ *Facts) { m.FlatPercent, m.Exif.Camera = 80, false }, nil, []string{"PHOTO_SCREEN_LIKE exception"}},
		{"even areas by a named camera", func(m *Measurement, _ *Facts) { m.FlatPercent = 80 }, nil, nil},

		{"no Exif time", func(m *Measurement, _ *Facts) { m.Exif.Taken = time.Time{} }, nil, []string{"PHOTO_EXIF_TIME_ABSENT info"}},
		{"Exif five minutes and one second early", func(m *Measurement, _ *Facts) { m.Exif.Taken = noon.Add(-301 * time.Second) }, nil, []string{"PHOTO_EXIF_TIME_AWAY exception"}},
		{"Exif five minutes late", func(m *Measurement, _ *Facts) { m.Exif.Taken = noon.Add(5 * time.Minute) }, nil, nil},
		{"Exif of last week", func(m *Measurement, _ *Facts) { m.Exif.Taken = noon.AddDate(0, 0, -7) }, nil, []string{"PHOTO_EXIF_TIME_AWAY exception"}},
		{"Exif agrees with the phone's uncorrected clock", func(m *Measurement, f *Facts) {
			f.ClockOffset, f.DeviceTime, m.Exif.Taken = offset(time.Hour), noon, noon
		}, nil, []string{"PHOTO_DEVICE_CLOCK_OFF exception"}},
		{"offset unknown, some zone fits", func(m *Measurement, _ *Facts) {
			m.Exif.OffsetKnown, m.Exif.Taken = false, noon.Add(5*time.Hour+45*time.Minute)
		}, nil, nil},
		{"offset unknown, no zone fits", func(m *Measurement, _ *Facts) {
			m.Exif.OffsetKnown, m.Exif.Taken = false, noon.Add(2*time.Hour+7*time.Minute)
		}, nil, []string{"PHOTO_EXIF_TIME_AWAY exception"}},
		{"offset unknown, yesterday", func(m *Measurement, _ *Facts) { m.Exif.OffsetKnown, m.Exif.Taken = false, noon.AddDate(0, 0, -1) }, nil, []string{"PHOTO_EXIF_TIME_AWAY exception"}},
		{"offset unknown, read in the site's zone", func(m *Measurement, f *Facts) {
			m.Exif.OffsetKnown, m.Exif.Taken, f.Zone = false, noon.Add(time.Hour), berlin
		}, nil, nil},
		{"offset unknown, three hours off in the site's zone", func(m *Measurement, f *Facts) {
			m.Exif.OffsetKnown, m.Exif.Taken, f.Zone = false, noon.Add(4*time.Hour), berlin
		}, nil, []string{"PHOTO_EXIF_TIME_AWAY exception"}},
		{"the phone is ahead of the server", func(_ *Measurement, f *Facts) { f.ReceiptTime = noon.Add(-121 * time.Second) }, nil, []string{"PHOTO_DEVICE_TIME_AHEAD exception"}},
		{"the measured offset explains it", func(m *Measurement, f *Facts) {
			f.ReceiptTime, f.ClockOffset = noon.Add(-time.Hour), offset(-time.Hour)
		}, nil, []string{"PHOTO_DEVICE_CLOCK_OFF exception"}},
		{"sent after four days", func(_ *Measurement, f *Facts) { f.ReceiptTime = noon.AddDate(0, 0, 4) }, nil, []string{"PHOTO_SENT_LATE info"}},
		{"a device time of the year 9999", func(m *Measurement, f *Facts) {
			f.DeviceTime, f.ClockOffset = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), nil
		}, nil, []string{"PHOTO_EXIF_TIME_AWAY exception", "PHOTO_DEVICE_TIME_AHEAD exception"}},
		{"no time known at all", func(m *Measurement, f *Facts) { f.DeviceTime, f.ReceiptTime = time.Time{}, time.Time{} }, nil, nil},

		{"no position", func(m *Measurement, f *Facts) { f.Position, m.Exif.Position = nil, nil }, nil, []string{"PHOTO_POSITION_ABSENT info"}},
		{"only Exif has a position", func(m *Measurement, f *Facts) { f.Position = nil }, nil, nil},
		{"a kilometre north", func(m *Measurement, f *Facts) { f.Position = &Position{50.009, 8, 10} }, nil, []string{"PHOTO_POSITION_AWAY exception"}},
		{"a kilometre north, good to two", func(m *Measurement, f *Facts) { f.Position = &Position{50.009, 8, 2000} }, nil, []string{"PHOTO_POSITION_COARSE info"}},
		{"another continent, good to two kilometres", func(m *Measurement, f *Facts) { f.Position = &Position{-50, 8, 2000} }, nil, []string{"PHOTO_POSITION_AWAY exception"}},
		{"Exif of another town", func(m *Measurement, f *Facts) { m.Exif.Position = &Position{50.2, 8, 0} }, nil, []string{"PHOTO_EXIF_POSITION_AWAY exception"}},
		{"no site known, Exif against the phone", func(m *Measurement, f *Facts) { f.Site = nil; m.Exif.Position = &Position{50.2, 8, 0} }, nil, []string{"PHOTO_EXIF_POSITION_AWAY exception"}},
		{"across the date line", func(m *Measurement, f *Facts) {
			f.Site, f.Position, m.Exif.Position = &Site{0, 180, 150}, &Position{0, -179.9999, 5}, nil
		}, nil, nil},

		{"the system's camera", func(_ *Measurement, f *Facts) { f.HowTaken = SystemCamera }, nil, []string{"PHOTO_NOT_TAKEN_IN_APP info"}},
		{"picked", func(_ *Measurement, f *Facts) { f.HowTaken = Picked }, nil, []string{"PHOTO_NOT_TAKEN_IN_APP exception"}},
		{"not said", func(_ *Measurement, f *Facts) { f.HowTaken = "telepathy" }, nil, []string{"PHOTO_NOT_TAKEN_IN_APP info"}},
		{"same bytes, then no twin of it", func(_ *Measurement, f *Facts) { f.SameBytes = []string{"p1", "p2"} },
			[]Match{{ID: "p1"}, {ID: "p2"}}, []string{"PHOTO_SAME_BYTES exception"}},
		{"the photo itself and another of its step", func(_ *Measurement, f *Facts) { f.LeaveOut, f.SameBytes = []string{"me", "p1"}, []string{"me"} },
			[]Match{{ID: "me"}, {ID: "p1"}}, nil},
		{"looks like another", func(*Measurement, *Facts) {}, []Match{{"p7", 2, 9, false}, {"p8", 4, 20, true}}, []string{"PHOTO_LOOKS_LIKE exception"}},
		{"a match beyond the thresholds", func(*Measurement, *Facts) {}, []Match{{"p7", 2, 99, false}}, nil},
		{"edited", func(m *Measurement, _ *Facts) { m.Exif.Edits = []string{EditHistory, EditTime} }, nil, []string{"PHOTO_EDITED exception"}},
		{"several frames", func(m *Measurement, _ *Facts) { m.Header.Frames = 3 }, nil, []string{"PHOTO_SEVERAL_FRAMES exception"}},
		{"HEIC is told, its light is not judged", func(m *Measurement, _ *Facts) {
			*m = Measurement{Outcome: Kept, Reason: "photo.not_examined.heif", Header: Header{Format: HEIF, Frames: 1}, Exif: m.Exif}
		}, nil, []string{"PHOTO_NOT_EXAMINED info"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m, f := sound(), soundFacts()
			tc.change(&m, &f)
			findings, err := Judge(m, f, tc.twins, DefaultThresholds(f.Subject))
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, x := range findings {
				got = append(got, string(x.Code)+" "+string(x.Severity))
				if x.Measured == (x.Source == "") {
					t.Errorf("%s: measured %v with the source %q", x.Code, x.Measured, x.Source)
				}
				checkSentence(t, x)
			}
			if !slices.Equal(got, tc.want) {
				t.Errorf("findings %v; want %v", findings, tc.want)
			}
			again, err := Judge(m, f, tc.twins, DefaultThresholds(f.Subject))
			if err != nil || cmp.Diff(findings, again) != "" {
				t.Errorf("judged again: %v, %v; want the same", again, err)
			}
		})
	}
}

// Every parameter is in the sentence, and every place in it is filled: a
// translator needs both.
func checkSentence(t *testing.T, f Finding) {
	t.Helper()
	template, ok := english[f.Message]
	if !ok {
		t.Errorf("no sentence for %q", f.Message)
	}
	for name := range f.Parameters {
		if !strings.Contains(template, "{"+name+"}") {
			t.Errorf("%s: parameter %q is not said", f.Message, name)
		}
	}
	if f.Text == "" || strings.ContainsAny(f.Text, "{}") {
		t.Errorf("%s: the text is %q", f.Message, f.Text)
	}
}

func TestSentencesAreSaid(t *testing.T) {
	for id, s := range english {
		for _, word := range []string{"safe", "Safe", "reject"} {
			if strings.Contains(s, word) {
				t.Errorf("%s says %q: findings neither clear nor refuse", id, word)
			}
		}
		if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "?") {
			t.Errorf("%s: %q is no sentence", id, s)
		}
	}
	if got := Sentence("no.such.id", nil); got != "" {
		t.Errorf("Sentence of an unknown id = %q; want nothing", got)
	}
}

func TestFactsOutOfRange(t *testing.T) {
	nan := math.NaN()
	long := 200 * 366 * 24 * time.Hour
	for _, tc := range []struct {
		name  string
		facts Facts
		field string
	}{
		{"latitude over 90", Facts{Position: &Position{90.1, 0, 0}}, "position.latitude"},
		{"latitude is no number", Facts{Position: &Position{nan, 0, 0}}, "position.latitude"},
		{"longitude under −180", Facts{Site: &Site{0, -181, 10}}, "site.longitude"},
		{"accuracy is infinite", Facts{Position: &Position{0, 0, math.Inf(1)}}, "position.meters"},
		{"accuracy is negative", Facts{Position: &Position{0, 0, -1}}, "position.meters"},
		{"a site of no size", Facts{Site: &Site{0, 0, 0}}, "site.meters"},
		{"a clock off by 200 years", Facts{ClockOffset: &long}, "clock_offset"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Judge(sound(), tc.facts, nil, DefaultThresholds(Other))
			if !errs.Is(err, "FACT_OUT_OF_RANGE") || !strings.Contains(err.Error(), tc.field) {
				t.Errorf("Judge: %v; want FACT_OUT_OF_RANGE of %s", err, tc.field)
			}
		})
	}
}

func TestThresholds(t *testing.T) {
	for _, s := range []Subject{Other, Connector, MatingFace, EndFace, Mark, Tool, Display, Label, WideView, "never heard of"} {
		if err := DefaultThresholds(s).check(); err != nil {
			t.Errorf("DefaultThresholds(%q): %v", s, err)
		}
	}
	bad := DefaultThresholds(Other)
	bad.Sharpness.Value = math.NaN()
	if _, err := Judge(sound(), Facts{}, nil, bad); !errs.Is(err, "THRESHOLD_OUT_OF_RANGE") {
		t.Errorf("a threshold that is no number: %v; want THRESHOLD_OUT_OF_RANGE", err)
	}
	bad = DefaultThresholds(Other)
	bad.MeanLow.Source = ""
	if _, err := Judge(sound(), Facts{}, nil, bad); !errs.Is(err, "THRESHOLD_WITHOUT_SOURCE") {
		t.Errorf("a threshold from nowhere: %v; want THRESHOLD_WITHOUT_SOURCE", err)
	}
}

// Pictures with one thing wrong, from the lens to the finding.
func TestExaminePictures(t *testing.T) {
	good := testpicture.Exif{Taken: noon, Offset: "+00:00", Make: "Example Works", Positioned: true, Latitude: 50, Longitude: 8}
	facts := soundFacts()
	for _, tc := range []struct {
		name    string
		options testpicture.Options
		want    []Code
	}{
		{"sharp and well lit", testpicture.Options{}, nil},
		{"blurred", testpicture.Options{Blur: 6}, []Code{Soft}},
		{"blurred and noisy", testpicture.Options{Blur: 6, Noise: 6}, []Code{Soft}},
		{"at dusk", testpicture.Options{Darkness: 0.75}, []Code{Dark}},
		{"at night", testpicture.Options{Darkness: 0.97}, []Code{Dark, ClippedDark, Blank}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			o := tc.options
			o.Family, o.Seed, o.Exif = 3, 3, &good
			o.Width, o.Height = 2000, 1500
			var got []Code
			e := examine(t, testpicture.JPEG(o), facts)
			for _, f := range e.Findings {
				if f.Severity == Exception {
					got = append(got, f.Code)
				}
			}
			if !slices.Equal(got, tc.want) {
				t.Errorf("findings %v (sharpness %.1f, mean %.0f, spread %.1f); want %v", got, e.Measurement.Sharpness, e.Measurement.MeanLuma, e.Measurement.Spread, tc.want)
			}
			if e.RulesVersion != RulesVersion {
				t.Errorf("rules %q; want %q", e.RulesVersion, RulesVersion)
			}
		})
	}
	e := examine(t, encodePNG(t, screen(1170, 2532)), facts)
	if e.find(ScreenLike) == nil {
		t.Errorf("a screen: findings %v, even %.0f %%; want %s", e.Findings, e.Measurement.FlatPercent, ScreenLike)
	}
}
