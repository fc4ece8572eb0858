package metrology

import (
	"fmt"
	"time"

	"witnessmark/internal/errs"
)

// CalibrationInterval is the time between calibrations: months first, then days. It is the owner's to
// set and to justify; 12 months is common practice for sweep, intermodulation
// and optical instruments.
type CalibrationInterval struct{ Months, Days int }

// Longest interval that is taken.
const maxIntervalMonths, maxIntervalDays = 240, 7_305

// Due returns the last day on which an instrument calibrated on last is in
// date. Month ends are clamped: see Date.AddMonths.
//
// Errors are Invalid: DATE_INVALID; INTERVAL_OUT_OF_RANGE when the interval is
// not over 0 or is longer than 20 years.
func (i CalibrationInterval) Due(last Date) (Date, error) {
	if err := last.Check(); err != nil {
		return Date{}, err
	}
	if i.Months < 0 || i.Days < 0 || i.Months+i.Days == 0 || i.Months > maxIntervalMonths || i.Days > maxIntervalDays {
		return Date{}, errs.Field("INTERVAL_OUT_OF_RANGE", "interval",
			fmt.Sprintf("a calibration interval is over 0 and at most %d months or %d days, got %d months and %d days",
				maxIntervalMonths, maxIntervalDays, i.Months, i.Days))
	}
	due := last.AddMonths(i.Months).AddDays(i.Days)
	if err := due.Check(); err != nil {
		return Date{}, err
	}
	return due, nil
}

// CalibrationStatus is the state of an instrument at one moment.
type CalibrationStatus string

// The states. A reading taken out of date is kept and flagged: traceability is
// not shown, and the reading is not void.
const (
	InDate        CalibrationStatus = "in date"
	OutOfDate     CalibrationStatus = "out of date"
	NotYetCovered CalibrationStatus = "before the calibration" // the certificate is younger than the reading
)

// CalibrationState is what Calibration finds.
type CalibrationState struct {
	Status   CalibrationStatus
	Due      Date
	DueEnd   time.Time // the instant, in UTC, from which it is out of date
	DaysLeft int       // from the moment's day to the due day; negative when past
}

// Calibration returns the state, at the instant at, of an instrument calibrated
// on the day last. It is in date through the end of the due day in the site's
// zone. The state at the moment of the reading decides, not that at sign-off.
//
// Errors are Invalid: those of CalibrationInterval.Due, and SITE_ZONE_MISSING.
func Calibration(last Date, interval CalibrationInterval, at time.Time, site *time.Location) (CalibrationState, error) {
	if site == nil {
		return CalibrationState{}, errs.Field("SITE_ZONE_MISSING", "site", "the due day ends in the site's time zone, which is not given")
	}
	due, err := interval.Due(last)
	if err != nil {
		return CalibrationState{}, err
	}
	_, end := due.Bounds(site)
	begin, _ := last.Bounds(site)
	s := CalibrationState{Due: due, DueEnd: end, DaysLeft: DateOf(at, site).DaysUntil(due)}
	switch {
	case at.Before(begin):
		s.Status = NotYetCovered
	case at.Before(end):
		s.Status = InDate
	default:
		s.Status = OutOfDate
	}
	return s, nil
}
