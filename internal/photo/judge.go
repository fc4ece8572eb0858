package photo

import (
	"fmt"
	"math"
	"strings"
	"time"

	"witnessmark/internal/errs"
)

// HowTaken says by which way the photo came.
type HowTaken string

// The ways. The system's camera is an honest way: some phones offer no other.
const (
	Unsaid       HowTaken = ""
	InApp        HowTaken = "in the page"
	SystemCamera HowTaken = "system camera"
	Picked       HowTaken = "picked"
)

// Site is where the work is.
type Site struct {
	Latitude, Longitude float64 // degrees, WGS 84
	RadiusMeters        float64 // how far the site reaches; over 0
}

// Others answers which known photos look like one; TwinIndex does.
type Others interface {
	Near(look Look, coarse, fine int) []Match
}

// Facts are what the signed entry and the server say about a photo. What is not
// known is left zero and gives no finding that it was needed for.
type Facts struct {
	Subject  Subject
	HowTaken HowTaken
	// DeviceTime is the device's clock at the shutter.
	DeviceTime time.Time
	// ClockOffset is server minus device as last measured; nil when never. It
	// corrects DeviceTime in comparisons; both are kept by the caller.
	ClockOffset *time.Duration
	// ReceiptTime is the server's clock when the last byte arrived.
	ReceiptTime time.Time
	// Position is where the device says it was, apart from the Exif block.
	Position *Position
	Site     *Site
	// Zone is the site's time zone, for Exif times without an offset.
	Zone *time.Location
	// SameBytes lists other photos with the same digest.
	SameBytes []string
	// LeaveOut lists photos that are no finding: this one, when it is examined
	// again, and the others of the same step, because taking a photo again from
	// the same place is honest.
	LeaveOut []string
	// Others is asked for twins; nil when they are not looked for.
	Others Others
}

func (f Facts) check() error {
	place := func(field string, lat, lon, reach float64, positive bool) error {
		switch {
		case math.IsNaN(lat) || lat < -90 || lat > 90:
			return errs.Field("FACT_OUT_OF_RANGE", field+".latitude", "lies from −90 to 90 degrees")
		case math.IsNaN(lon) || lon < -180 || lon > 180:
			return errs.Field("FACT_OUT_OF_RANGE", field+".longitude", "lies from −180 to 180 degrees")
		case math.IsNaN(reach) || reach < 0 || reach > 1e7:
			return errs.Field("FACT_OUT_OF_RANGE", field+".meters", "lies from 0 to 10,000,000 m")
		case positive && reach == 0:
			return errs.Field("FACT_OUT_OF_RANGE", field+".meters", "a site reaches further than 0 m")
		}
		return nil
	}
	if p := f.Position; p != nil {
		if err := place("position", p.Latitude, p.Longitude, p.AccuracyMeters, false); err != nil {
			return err
		}
	}
	if s := f.Site; s != nil {
		if err := place("site", s.Latitude, s.Longitude, s.RadiusMeters, true); err != nil {
			return err
		}
	}
	if o := f.ClockOffset; o != nil && (*o > 100*366*24*time.Hour || *o < -100*366*24*time.Hour) {
		return errs.Field("FACT_OUT_OF_RANGE", "clock_offset", "at most a hundred years")
	}
	return nil
}

// taken is the device's time, corrected by the measured offset.
func (f Facts) taken() time.Time {
	if f.DeviceTime.IsZero() || f.ClockOffset == nil {
		return f.DeviceTime
	}
	return f.DeviceTime.Add(*f.ClockOffset)
}

// Judge turns a measurement into findings. It needs no picture, so that an old
// measurement can be judged again with other thresholds. twins are the answer of
// a TwinIndex; those beyond the thresholds are left out. The errors are those of
// Examine about facts and thresholds.
func Judge(m Measurement, facts Facts, twins []Match, t Thresholds) ([]Finding, error) {
	if err := facts.check(); err != nil {
		return nil, err
	}
	if err := t.check(); err != nil {
		return nil, err
	}
	var out []Finding
	add := func(f Finding) { out = append(out, f) }
	outcomeFindings(m, add)
	contentFindings(m, t, add)
	timeFindings(m, facts, t, add)
	placeFindings(m, facts, t, add)
	originFindings(m, facts, twins, t, add)
	return out, nil
}

func outcomeFindings(m Measurement, add func(Finding)) {
	if m.Outcome != Examined {
		code, severity := NotReadable, Exception
		switch {
		case m.Outcome == Kept:
			code = NotExamined
			if m.Header.Format == HEIF {
				severity = Info // the phone sends the JPEG beside it
			}
		case strings.HasPrefix(m.Reason, "photo.over_bounds"):
			code = OverBounds
		}
		f := say(code, severity, m.Reason)
		f.Parameters = m.Parameters
		f.Text = Sentence(m.Reason, m.Parameters)
		add(f)
	}
	if n := m.Header.TrailingBytes; n > 0 {
		severity := Info // phones put a second picture or a short film there
		switch m.Header.TrailingKind {
		case "archive", "document", "page", "program":
			severity = Exception
		}
		add(say(TrailingData, severity, "photo.trailing_data", "bytes", fmt.Sprint(n), "kind", m.Header.TrailingKind))
	}
	if n := m.Header.Frames; n > 1 {
		add(say(SeveralFrames, Exception, "photo.several_frames", "frames", fmt.Sprint(n)))
	}
}

func contentFindings(m Measurement, t Thresholds, add func(Finding)) {
	if m.Outcome != Examined {
		return
	}
	mega := float64(m.Header.Pixels()) / 1e6
	short := float64(min(m.Header.Width, m.Header.Height))
	switch {
	case mega < t.Megapixels.Value && short < t.ShortSide.Value:
		add(say(TooSmall, Exception, "photo.too_small", "width", fmt.Sprint(m.Header.Width), "height", fmt.Sprint(m.Header.Height),
			"megapixels", decimal(mega, 2), "least", decimal(t.Megapixels.Value, 1)).measured(mega, t.Megapixels, "megapixels"))
	case mega < t.ContractMegapixels.Value:
		add(say(UnderContract, Info, "photo.under_contract", "megapixels", decimal(mega, 1),
			"least", decimal(t.ContractMegapixels.Value, 1)).measured(mega, t.ContractMegapixels, "megapixels"))
	}
	level := func(code Code, message string, measure float64, limit Limit, unit string) {
		add(say(code, Exception, message, "measure", decimal(measure, 0), "threshold", decimal(limit.Value, 0)).measured(measure, limit, unit))
	}
	if m.MeanLuma < t.MeanLow.Value {
		level(Dark, "photo.dark", m.MeanLuma, t.MeanLow, "luma")
	}
	if m.MeanLuma > t.MeanHigh.Value {
		level(Bright, "photo.bright", m.MeanLuma, t.MeanHigh, "luma")
	}
	if m.DarkPercent > t.DarkShare.Value {
		level(ClippedDark, "photo.clipped_dark", m.DarkPercent, t.DarkShare, "percent")
	}
	if m.BrightPercent > t.BrightShare.Value {
		level(ClippedBright, "photo.clipped_bright", m.BrightPercent, t.BrightShare, "percent")
	}
	if m.Spread < t.Spread.Value {
		// Sharpness, twins and likeness to a screen mean nothing now.
		level(Blank, "photo.blank", m.Spread, t.Spread, "luma")
		return
	}
	if m.Sharpness < t.Sharpness.Value {
		level(Soft, "photo.soft", m.Sharpness, t.Sharpness, "luma squared")
	}
	if m.FlatPercent > t.FlatShare.Value && !m.Exif.Camera {
		level(ScreenLike, "photo.screen_like", m.FlatPercent, t.FlatShare, "percent")
	}
}

func timeFindings(m Measurement, facts Facts, t Thresholds, add func(Finding)) {
	taken := facts.taken()
	if m.Exif.Taken.IsZero() {
		if m.Outcome != Unreadable {
			add(say(ExifTimeAbsent, Info, "photo.exif_time_absent"))
		}
	} else if !taken.IsZero() {
		apart, message, kv := exifApart(m.Exif, facts)
		if apart.Seconds() > t.ExifTime.Value {
			kv = append(kv, "device", stamp(facts.DeviceTime), "apart", span(apart))
			add(say(ExifTimeAway, Exception, message, kv...).measured(apart.Seconds(), t.ExifTime, "seconds"))
		}
	}
	if o := facts.ClockOffset; o != nil && o.Abs().Seconds() > t.ClockOffset.Value {
		add(say(DeviceClockOff, Exception, "photo.device_clock_off", "apart", span(o.Abs())).
			measured(o.Abs().Seconds(), t.ClockOffset, "seconds"))
	}
	if taken.IsZero() || facts.ReceiptTime.IsZero() {
		return
	}
	switch late := facts.ReceiptTime.Sub(taken); {
	case -late.Seconds() > t.DeviceAhead.Value:
		add(say(DeviceAhead, Exception, "photo.device_ahead", "device", stamp(facts.DeviceTime), "apart", span(late.Abs())).
			measured(-late.Seconds(), t.DeviceAhead, "seconds"))
	case late.Seconds() > t.SentLate.Value:
		add(say(SentLate, Info, "photo.sent_late", "apart", span(late)).measured(late.Seconds(), t.SentLate, "seconds"))
	}
}

// exifApart compares the Exif time with the device's: both are the same phone's
// clock as a rule, so that the nearer of the corrected and the uncorrected time
// counts. Without an offset, the site's zone reads it; without a zone, the
// nearest of all offsets from −12:00 to +14:00 in quarters of an hour does, which
// leaves at least the minutes to compare.
func exifApart(x Exif, facts Facts) (apart time.Duration, message string, kv []string) {
	nearest := func(f func(time.Time) time.Duration) time.Duration {
		return min(f(facts.DeviceTime).Abs(), f(facts.taken()).Abs())
	}
	kv = []string{"exif", stamp(x.Taken)}
	switch {
	case x.OffsetKnown:
		return nearest(func(at time.Time) time.Duration { return x.Taken.Sub(at) }), "photo.exif_time_away", kv
	case facts.Zone != nil:
		y, mo, d := x.Taken.Date()
		h, mi, s := x.Taken.Clock()
		read := time.Date(y, mo, d, h, mi, s, x.Taken.Nanosecond(), facts.Zone)
		return nearest(func(at time.Time) time.Duration { return read.Sub(at) }), "photo.exif_time_away.zone",
			append(kv, "zone", facts.Zone.String())
	}
	const quarter = 15 * time.Minute
	return nearest(func(at time.Time) time.Duration {
		wall := x.Taken.Sub(at)
		offset := min(max(wall.Round(quarter), -12*time.Hour), 14*time.Hour)
		return wall - offset
	}), "photo.exif_time_away.any_offset", kv
}

func placeFindings(m Measurement, facts Facts, t Thresholds, add func(Finding)) {
	site, p, x := facts.Site, facts.Position, m.Exif.Position
	if site != nil {
		reach := Limit{site.RadiusMeters, "the site's own radius"}
		switch {
		case p == nil && x == nil:
			if m.Outcome != Unreadable {
				add(say(PositionAbsent, Info, "photo.position_absent"))
			}
		case p != nil:
			d := distance(p.Latitude, p.Longitude, site.Latitude, site.Longitude)
			switch {
			case d-p.AccuracyMeters > site.RadiusMeters:
				add(say(PositionAway, Exception, "photo.position_away", "distance", decimal(d, 0), "accuracy", decimal(p.AccuracyMeters, 0),
					"radius", decimal(site.RadiusMeters, 0)).measured(d, reach, "meters"))
			case p.AccuracyMeters > max(t.PositionAccuracy.Value, site.RadiusMeters):
				add(say(PositionCoarse, Info, "photo.position_coarse", "accuracy", decimal(p.AccuracyMeters, 0)).
					measured(p.AccuracyMeters, t.PositionAccuracy, "meters"))
			}
		}
		if x != nil {
			d := distance(x.Latitude, x.Longitude, site.Latitude, site.Longitude)
			// A photo's own position often lacks an accuracy: allow what counts
			// as coarse for a device's.
			slack := max(x.AccuracyMeters, t.PositionAccuracy.Value)
			if d-slack > site.RadiusMeters {
				add(say(ExifPositionAway, Exception, "photo.exif_position_away", "distance", decimal(d, 0),
					"radius", decimal(site.RadiusMeters, 0)).measured(d, reach, "meters"))
			}
		}
		return
	}
	if p != nil && x != nil {
		d := distance(x.Latitude, x.Longitude, p.Latitude, p.Longitude)
		if d-max(x.AccuracyMeters, t.PositionAccuracy.Value)-p.AccuracyMeters > 0 {
			add(say(ExifPositionAway, Exception, "photo.exif_position_away.device", "distance", decimal(d, 0)).
				measured(d, t.PositionAccuracy, "meters"))
		}
	}
}

func originFindings(m Measurement, facts Facts, twins []Match, t Thresholds, add func(Finding)) {
	switch facts.HowTaken {
	case InApp:
	case SystemCamera:
		add(say(NotInApp, Info, "photo.not_in_app.camera"))
	case Picked:
		add(say(NotInApp, Exception, "photo.not_in_app.picked"))
	default:
		add(say(NotInApp, Info, "photo.not_in_app.unsaid"))
	}
	told := map[string]bool{} // by now, or not to be told
	for _, id := range facts.LeaveOut {
		told[id] = true
	}
	var same []string
	for _, id := range facts.SameBytes {
		if !told[id] {
			told[id] = true
			same = append(same, id)
		}
	}
	if len(same) > 0 {
		add(say(SameBytes, Exception, "photo.same_bytes", "photo", same[0], "more", fmt.Sprint(len(same)-1)))
	}
	if m.comparable(t) {
		var near []Match
		for _, w := range twins {
			if !told[w.ID] && float64(w.Coarse) <= t.TwinCoarse.Value && float64(w.Fine) <= t.TwinFine.Value {
				near = append(near, w)
			}
		}
		if len(near) > 0 {
			w, message := near[0], "photo.looks_like"
			if w.Turned {
				message = "photo.looks_like.turned"
			}
			add(say(LooksLike, Exception, message, "photo", w.ID, "coarse", fmt.Sprint(w.Coarse), "fine", fmt.Sprint(w.Fine),
				"more", fmt.Sprint(len(near)-1)).measured(float64(w.Fine), t.TwinFine, "bits"))
		}
	}
	if len(m.Exif.Edits) > 0 {
		software := m.Exif.Software
		if software == "" {
			software = "not named"
		}
		add(say(Edited, Exception, "photo.edited", "signs", strings.Join(m.Exif.Edits, ", "), "software", software))
	}
}

// distance returns the metres between two places on a sphere of the earth's mean
// radius, 6,371,008.8 m (IUGG); wrong by at most 0.6 %. Haversine formula.
func distance(lat1, lon1, lat2, lon2 float64) float64 {
	const radius, rad = 6_371_008.8, math.Pi / 180
	sq := func(x float64) float64 { return x * x }
	a := sq(math.Sin((lat2-lat1)*rad/2)) + math.Cos(lat1*rad)*math.Cos(lat2*rad)*sq(math.Sin((lon2-lon1)*rad/2))
	return 2 * radius * math.Asin(math.Sqrt(min(1, a)))
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05") }

// span says a duration in the two largest parts: "3 d 4 h", "12 min 5 s".
func span(d time.Duration) string {
	s := int64(d.Round(time.Second) / time.Second)
	switch {
	case s >= 86400:
		return fmt.Sprintf("%d d %d h", s/86400, s%86400/3600)
	case s >= 3600:
		return fmt.Sprintf("%d h %d min", s/3600, s%3600/60)
	case s >= 60:
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return fmt.Sprintf("%d s", s)
}
