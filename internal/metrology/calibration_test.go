package metrology_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
	_ "time/tzdata"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func date(t testing.TB, s string) metrology.Date {
	t.Helper()
	d, err := metrology.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestDates(t *testing.T) {
	for _, s := range []string{"", "2026-02-30", "2026-13-01", "2026-1-1", "26-01-01", "0000-01-01", "2026-01-01T00:00:00Z", "12026-01-01", "2025-02-29"} {
		if d, err := metrology.ParseDate(s); !errs.Is(err, "DATE_INVALID") {
			t.Errorf("ParseDate(%q) = %v, %v; want DATE_INVALID", s, d, err)
		}
	}
	rng := rand.New(rand.NewPCG(15, 16))
	for range 5000 {
		d := metrology.DateOf(time.Date(1900+rng.IntN(300), 1, 1+rng.IntN(366), 12, 0, 0, 0, time.UTC), time.UTC)
		if again := date(t, d.String()); again != d || d.Check() != nil {
			t.Fatalf("%v written and read is %v (%v)", d, again, d.Check())
		}
		n := rng.IntN(20_000) - 10_000
		if m := d.AddDays(n); d.DaysUntil(m) != n || m.AddDays(-n) != d || (n > 0) != (m.Compare(d) > 0) && n != 0 {
			t.Fatalf("%v and %d days is %v, %d days away", d, n, m, d.DaysUntil(m))
		}
		months := rng.IntN(600) - 300
		m := d.AddMonths(months)
		// The month is exactly as far on, the day never later, and clamped only
		// to a month's end.
		if m.Year*12+int(m.Month)-d.Year*12-int(d.Month) != months || m.Day > d.Day || m.Check() != nil ||
			m.Day < d.Day && m.AddDays(1).Day != 1 {
			t.Fatalf("%v and %d months is %v", d, months, m)
		}
		// Where nothing is clamped the standard library agrees.
		if lib := metrology.DateOf(time.Date(d.Year, d.Month+time.Month(months), d.Day, 12, 0, 0, 0, time.UTC), time.UTC); m.Day == d.Day && lib != m {
			t.Fatalf("%v and %d months is %v; the standard library says %v", d, months, m, lib)
		}
	}
}

// Days of clock changes, from the IANA time zone database.
func TestDayBounds(t *testing.T) {
	for _, tc := range []struct {
		name, zone, day string
		start           string // UTC
		hours           float64
	}{
		{"plain day", "UTC", "2026-03-15", "2026-03-15T00:00:00Z", 24},
		{"west of Greenwich", "America/Chicago", "2026-01-31", "2026-01-31T06:00:00Z", 24},
		{"half-hour zone", "Asia/Kolkata", "2026-01-31", "2026-01-30T18:30:00Z", 24},
		{"spring forward in the night", "Europe/Berlin", "2026-03-29", "2026-03-28T23:00:00Z", 23},
		{"fall back in the night", "Europe/Berlin", "2026-10-25", "2026-10-24T22:00:00Z", 25},
		{"midnight does not exist", "America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z", 23},
		{"the evening before is whole", "America/Sao_Paulo", "2018-11-03", "2018-11-03T03:00:00Z", 24},
		{"clocks go back at midnight, so the day before is longer", "America/Asuncion", "2022-03-26", "2022-03-26T03:00:00Z", 25},
		{"and this one begins an hour later", "America/Asuncion", "2022-03-27", "2022-03-27T04:00:00Z", 24},
		{"a day that the zone skipped", "Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z", 0},
		{"the day after it", "Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z", 24},
	} {
		t.Run(tc.name, func(t *testing.T) {
			loc := zone(t, tc.zone)
			start, end := date(t, tc.day).Bounds(loc)
			if start.Format(time.RFC3339) != tc.start || end.Sub(start).Hours() != tc.hours {
				t.Errorf("%s in %s runs from %v for %v; want %s for %v hours", tc.day, tc.zone, start, end.Sub(start), tc.start, tc.hours)
			}
			if tc.hours > 0 {
				d := date(t, tc.day)
				for _, at := range []time.Time{start, end.Add(-1)} {
					if got := metrology.DateOf(at, loc); got != d {
						t.Errorf("at %v a clock shows %v; want %v", at, got, d)
					}
				}
				for _, at := range []time.Time{start.Add(-1), end} {
					if got := metrology.DateOf(at, loc); got == d {
						t.Errorf("at %v a clock still shows %v", at, got)
					}
				}
			}
		})
	}
}

func TestCalibrationRunsThroughTheDueDayOnSite(t *testing.T) {
	chicago := zone(t, "America/Chicago")
	year := metrology.CalibrationInterval{Months: 12}
	last := date(t, "2025-03-15")
	for _, tc := range []struct {
		name string
		at   string
		site *time.Location
		want metrology.CalibrationStatus
		left int
	}{
		{"the last moment of the due day on site", "2026-03-16T04:59:59Z", chicago, metrology.InDate, 0},
		{"the same moment where the day has ended", "2026-03-16T04:59:59Z", time.UTC, metrology.OutOfDate, -1},
		{"the first moment after it", "2026-03-16T05:00:00Z", chicago, metrology.OutOfDate, -1},
		{"the day of the calibration", "2025-03-15T12:00:00Z", chicago, metrology.InDate, 365},
		{"before the calibration", "2025-03-14T12:00:00Z", chicago, metrology.NotYetCovered, 366},
	} {
		t.Run(tc.name, func(t *testing.T) {
			at, err := time.Parse(time.RFC3339, tc.at)
			if err != nil {
				t.Fatal(err)
			}
			got, err := metrology.Calibration(last, year, at, tc.site)
			if err != nil || got.Status != tc.want || got.DaysLeft != tc.left || got.Due != date(t, "2026-03-15") {
				t.Errorf("Calibration at %s = %+v, %v; want %q with %d days left", tc.at, got, err, tc.want, tc.left)
			}
		})
	}
	for _, tc := range []struct {
		name   string
		last   metrology.Date
		i      metrology.CalibrationInterval
		site   *time.Location
		reason string
	}{
		{"no interval", last, metrology.CalibrationInterval{}, chicago, "INTERVAL_OUT_OF_RANGE"},
		{"negative interval", last, metrology.CalibrationInterval{Months: -1}, chicago, "INTERVAL_OUT_OF_RANGE"},
		{"months less days", last, metrology.CalibrationInterval{Months: 12, Days: -3}, chicago, "INTERVAL_OUT_OF_RANGE"},
		{"a century", last, metrology.CalibrationInterval{Months: 1200}, chicago, "INTERVAL_OUT_OF_RANGE"},
		{"no day", metrology.Date{}, year, chicago, "DATE_INVALID"},
		{"end of the calendar", metrology.Date{Year: 9999, Month: 12, Day: 1}, year, chicago, "DATE_INVALID"},
		{"no zone", last, year, nil, "SITE_ZONE_MISSING"},
	} {
		if _, err := metrology.Calibration(tc.last, tc.i, time.Time{}, tc.site); !errs.Is(err, tc.reason) {
			t.Errorf("%s: %v; want %s", tc.name, err, tc.reason)
		}
	}
}

// Rule: the window opens at the later of the last good calibration and the last
// good check that could have shown the found error.
func TestDoubtWindow(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 1, n, 8, 0, 0, 0, time.UTC) }
	proofs := []metrology.Proof{
		{At: day(1)},             // calibration
		{At: day(10), Shows: 2},  // a good check that shows 2 or more
		{At: day(15), Shows: 10}, // a coarse one
		{At: day(31)},            // after the finding
	}
	for _, tc := range []struct {
		name   string
		error  float64
		proofs []metrology.Proof
		from   time.Time
		opened int
	}{
		{"the check could have shown it", 3, proofs, day(10), 1},
		{"exactly what the check shows", 2, proofs, day(10), 1},
		{"sign does not matter", -3, proofs, day(10), 1},
		{"only the calibration could have", 1, proofs, day(1), 0},
		{"even the coarse check could have", 12, proofs, day(15), 2},
		{"nothing shows it: everything is in doubt", 1, proofs[1:3], time.Time{}, -1},
		{"no proof at all", 1, nil, time.Time{}, -1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w, err := metrology.Doubt(tc.error, day(20), tc.proofs)
			if err != nil || !w.From.Equal(tc.from) || w.Opened != tc.opened || !w.To.Equal(day(20)) {
				t.Fatalf("Doubt(%v) = %+v, %v; want it opened at %v by %d", tc.error, w, err, tc.from, tc.opened)
			}
			if !w.Holds(day(19)) || !w.Holds(day(20)) || w.Holds(day(21)) || w.Holds(tc.from) {
				t.Errorf("window %+v; want readings after its opening up to the finding", w)
			}
		})
	}
	for name, call := range map[string]func() error{
		"FOUND_ERROR_INVALID": func() error { _, err := metrology.Doubt(0, day(1), nil); return err },
		"PROOF_INVALID": func() error {
			_, err := metrology.Doubt(1, day(1), []metrology.Proof{{Shows: math.NaN()}})
			return err
		},
	} {
		if err := call(); !errs.Is(err, name) {
			t.Errorf("got %v; want %s", err, name)
		}
	}
}

// A torque tool found 5 % high at 15 N·m and 1 % high at 25 N·m (ISO 6789 form:
// deviation on the reference) is judged by the worse neighbour between them.
func TestRejudge(t *testing.T) {
	simple := rule(t, metrology.SimpleAcceptance)
	tool := metrology.FoundErrors{Relative: true, Points: []metrology.PointError{{5, 0}, {15, 5}, {25, 1}}}
	window := metrology.Between(19, 21)
	for _, tc := range []struct {
		name   string
		l      metrology.Limits
		shown  float64
		found  metrology.FoundErrors
		after  metrology.Outcome
		truly  float64
		change bool
	}{
		{"between two points, the worse one fails it", window, 19.5, tool, metrology.Fail, 19.5 / 1.05, true},
		{"between two points, still within by both", window, 20.5, tool, metrology.Pass, 20.5 / 1.05, false},
		{"on a point, that point alone", metrology.Between(24, 26), 25, tool, metrology.Pass, 25 / 1.01, false},
		{"over the last point, the last", metrology.Between(29, 31), 30, tool, metrology.Pass, 30 / 1.01, false},
		{"under the first point, the first", metrology.Between(3, 5), 4, tool, metrology.Pass, 4, false},
		{"an absolute error lifts a reading over its limit", metrology.AtMost(-107), -108, metrology.FoundErrors{Points: []metrology.PointError{{-108, -2}}}, metrology.Fail, -106, true},
		{"a fail that turns out a pass is a change too", metrology.AtMost(-107), -106, metrology.FoundErrors{Points: []metrology.PointError{{-110, 2}}}, metrology.Pass, -108, true},
		{"neighbours with opposite signs: the worse for the limit", metrology.AtMost(10), 9.5, metrology.FoundErrors{Points: []metrology.PointError{{9, 3}, {10, -1}}}, metrology.Fail, 10.5, true},
		{"without a limit nothing changes", metrology.Limits{}, 1, tool, metrology.RecordedNoLimit, 1, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := metrology.Rejudge(tc.l, simple, metrology.Uncertainty{}, tc.shown, tc.found)
			if err != nil || got.After.Outcome != tc.after || math.Abs(got.True-tc.truly) > 1e-9 || got.Changed != tc.change {
				t.Errorf("Rejudge(%+v, %v) = %+v, %v; want %q at %v, changed %v", tc.l, tc.shown, got, err, tc.after, tc.truly, tc.change)
			}
		})
	}
	for _, tc := range []struct {
		name   string
		found  metrology.FoundErrors
		shown  float64
		reason string
	}{
		{"no points", metrology.FoundErrors{}, 1, "ERROR_POINTS_COUNT"},
		{"points out of order", metrology.FoundErrors{Points: []metrology.PointError{{2, 0}, {1, 0}}}, 1, "ERROR_POINT_INVALID"},
		{"a point of no number", metrology.FoundErrors{Points: []metrology.PointError{{math.NaN(), 0}}}, 1, "ERROR_POINT_INVALID"},
		{"a tool that shows nothing", metrology.FoundErrors{Relative: true, Points: []metrology.PointError{{1, -100}}}, 1, "ERROR_POINT_INVALID"},
		{"a reading of no number", tool, math.NaN(), "VALUE_NOT_FINITE"},
	} {
		if _, err := metrology.Rejudge(window, simple, metrology.Uncertainty{}, tc.shown, tc.found); !errs.Is(err, tc.reason) {
			t.Errorf("%s: %v; want %s", tc.name, err, tc.reason)
		}
	}
	if worst, err := tool.Worst(); err != nil || worst != 5 {
		t.Errorf("Worst = %v, %v; want 5", worst, err)
	}
	if _, err := (metrology.FoundErrors{}).Worst(); !errs.Is(err, "ERROR_POINTS_COUNT") {
		t.Errorf("Worst of nothing = %v; want ERROR_POINTS_COUNT", err)
	}
}

func TestWorse(t *testing.T) {
	order := []metrology.Outcome{metrology.RecordedNoLimit, metrology.Pass, metrology.PassNotProven, metrology.NotMeasurable, metrology.Fail}
	for i, a := range order {
		for j, b := range order {
			if got := metrology.Worse(a, b); got != order[max(i, j)] {
				t.Errorf("Worse(%q, %q) = %q; want %q", a, b, got, order[max(i, j)])
			}
		}
	}
}
