package metrology

import (
	"cmp"
	"fmt"
	"time"

	"witnessmark/internal/errs"
)

// Date is a day of the civil calendar, without a time or a zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the civil date that a clock in loc shows at the instant t.
func DateOf(t time.Time, loc *time.Location) Date {
	y, m, d := t.In(loc).Date()
	return Date{y, m, d}
}

// ParseDate reads a date written as 2006-01-02, year 1 to 9999.
//
// The error is Invalid, DATE_INVALID.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1 {
		return Date{}, errs.Field("DATE_INVALID", "date", "a date is written like 2026-03-15 and must exist")
	}
	return DateOf(t, time.UTC), nil
}

// String writes the date as 2006-01-02.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }

// Check says whether the date exists, in years 1 to 9999.
//
// The error is Invalid, DATE_INVALID.
func (d Date) Check() error {
	if d.Year < 1 || d.Year > 9999 || d.Month < time.January || d.Month > time.December ||
		d.Day < 1 || d.Day > daysIn(d.Year, d.Month) {
		return errs.Field("DATE_INVALID", "date", d.String()+" is not a day of the calendar, years 1 to 9999")
	}
	return nil
}

// Compare is negative, 0 or positive as d is before, on or after other.
func (d Date) Compare(other Date) int {
	return cmp.Or(cmp.Compare(d.Year, other.Year), cmp.Compare(d.Month, other.Month), cmp.Compare(d.Day, other.Day))
}

// AddMonths moves n months on (back for a negative n) and clamps to the end of
// the month: 31 January and one month is 28 or 29 February. time.AddDate would
// run over into March and keep a tool in date up to three days too long.
func (d Date) AddMonths(n int) Date {
	months := d.Year*12 + int(d.Month) - 1 + n
	y, m := months/12, months%12
	if m < 0 {
		y, m = y-1, m+12
	}
	month := time.Month(m + 1)
	return Date{y, month, min(d.Day, daysIn(y, month))}
}

// AddDays moves n days on, or back for a negative n.
func (d Date) AddDays(n int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+n, 12, 0, 0, 0, time.UTC), time.UTC)
}

// DaysUntil returns how many days lie from d to other; negative when other is earlier.
func (d Date) DaysUntil(other Date) int {
	noon := func(d Date) time.Time { return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC) }
	return int(noon(other).Sub(noon(d)).Hours() / 24)
}

// Bounds returns the instants between which the day lies in loc: from the first
// at which a clock there shows d or later, up to but not including the first of
// the next day. A day of a clock change has 23, 25 or other hours; a day that a
// zone skipped is empty.
func (d Date) Bounds(loc *time.Location) (start, end time.Time) {
	return d.start(loc), d.AddDays(1).start(loc)
}

// start finds the first instant at which a clock in loc shows d at 00:00 or
// later, through each span of constant offset near it. time.Date alone does not
// say which side of a clock change it picks when midnight does not exist.
func (d Date) start(loc *time.Location) time.Time {
	midnight := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
	// Offsets lie within a day of UTC, so the answer lies within this search.
	t, stop := midnight.Add(-36*time.Hour), midnight.Add(36*time.Hour)
	for !t.After(stop) {
		_, offset := t.In(loc).Zone()
		candidate := midnight.Add(-time.Duration(offset) * time.Second)
		if candidate.Before(t) {
			candidate = t
		}
		_, until := t.In(loc).ZoneBounds()
		if until.IsZero() || candidate.Before(until) {
			return candidate.UTC()
		}
		t = until
	}
	return midnight
}

func daysIn(year int, month time.Month) int {
	return time.Date(year, month+1, 0, 12, 0, 0, 0, time.UTC).Day()
}
