package weather

import (
	"strconv"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// LightningWait is how long after the LAST thunder, flash or detection nobody
// leaves shelter. DetectionMiles is how near a detection counts.
const (
	LightningWait         = 30 * time.Minute
	DetectionMiles        = 10.0
	soundMetresPerSecond  = 343.0
	secondsPerMileOfSound = 5.0
)

// LightningKind is what was noticed.
type LightningKind string

// The kinds of lightning event. A detection counts within DetectionMiles.
const (
	Thunder   LightningKind = "thunder"
	Flash     LightningKind = "flash"
	Detection LightningKind = "detection"
)

// LightningEvent is one thunder, flash or detection. Miles belongs to a detection
// only.
type LightningEvent struct {
	At    time.Time
	Kind  LightningKind
	Miles float64
}

// MostLightningEvents is how many events one timer takes.
const MostLightningEvents = 1000

// LightningResult says how the timer stands. Earliest is the zero time when no
// event counts.
type LightningResult struct {
	Counted  int       // events that count
	Last     time.Time // the last of them
	Earliest time.Time // nobody leaves shelter before; then only on the competent person's word
	Hold     bool      // as of the time asked, the wait runs
	Working  working.Working
}

// LightningTimer returns the earliest time to leave shelter: 30 minutes after the
// last event, whatever the order in which events are given. Every new event
// restarts the wait. A detection farther than 10 miles does not count; at 10 it
// does. When the wait ends the timer says no more than that it has ended.
//
// Errors are Invalid: TIME_MISSING for a zero time, EVENT_KIND_UNKNOWN,
// DETECTION_DISTANCE for a negative or unending distance, EVENTS_TOO_MANY over
// 1,000. Sources: NWS present rule; the distance is common practice.
func LightningTimer(events []LightningEvent, asOf time.Time) (LightningResult, error) {
	if len(events) > MostLightningEvents {
		return LightningResult{}, errs.Field("EVENTS_TOO_MANY", "events", "must be at most "+strconv.Itoa(MostLightningEvents), "count", strconv.Itoa(len(events)))
	}
	if asOf.IsZero() {
		return LightningResult{}, errs.Field("TIME_MISSING", "as_of", "must be a time")
	}
	r := LightningResult{}
	for i, e := range events {
		field := "events[" + strconv.Itoa(i) + "]"
		if e.At.IsZero() {
			return LightningResult{}, errs.Field("TIME_MISSING", field, "must have a time")
		}
		switch e.Kind {
		case Thunder, Flash:
		case Detection:
			if !(e.Miles >= 0 && e.Miles < 25_000) { // false for NaN
				return LightningResult{}, errs.Field("DETECTION_DISTANCE", field, "must have a distance of 0 or more miles")
			}
			if working.Exceeds(e.Miles, DetectionMiles) {
				continue
			}
		default:
			return LightningResult{}, errs.Field("EVENT_KIND_UNKNOWN", field, "must be thunder, flash or detection", "kind", string(e.Kind))
		}
		r.Counted++
		if e.At.After(r.Last) {
			r.Last = e.At
		}
	}
	w := working.Working{
		Formula: "lightning: earliest time out of shelter = last thunder, flash or near detection + 30 minutes",
		Inputs: []working.Term{
			{Name: "events entered", Value: strconv.Itoa(len(events))},
			working.Words("as of", clock(asOf)),
		},
		Steps: []working.Term{{Name: "events that count (any thunder or flash; detections within 10 miles, 16.1 km)", Value: strconv.Itoa(r.Counted)}},
		Sources: []working.Source{
			nws("any thunder heard: shelter at once; 30 minutes after the last thunder or flash; strikes reach about 10 miles", working.Confirmed),
			{Document: "OSHA 3863 / NOAA fact sheet", Clause: "towers among the worst places; 30 minutes", Status: working.Confirmed},
			{Document: "a detection within 10 miles counts; descent time is added to the warning time", Status: working.CommonPractice},
		},
		Cautions: []string{
			"Any thunder heard, any lightning seen: all down and into shelter at once. Nobody counts seconds first; the old 30/30 rule is withdrawn.",
			"Every new event restarts the 30 minutes.",
			"After the wait only the competent person's word ends the hold.",
			"Descent takes time: it is added to the warning time.",
		},
		LeftOut: []string{"thunder that nobody heard over wind and tools", "events that were not entered", "a cell that has not struck yet"},
		Defers:  working.DefersWeather,
	}
	if r.Counted == 0 {
		w.Result = []working.Term{working.Words("wait", "none runs from the events entered; nothing else was checked")}
	} else {
		r.Earliest = r.Last.Add(LightningWait)
		r.Hold = asOf.Before(r.Earliest)
		state := "HOLD: the wait runs"
		if !r.Hold {
			state = "the wait has ended, as entered; the competent person decides"
		}
		w.Steps = append(w.Steps, working.Words("last event that counts", clock(r.Last)))
		w.Result = []working.Term{
			working.Words("earliest", clock(r.Earliest)),
			working.Words("as of the time asked", state),
		}
	}
	r.Working = w
	return r, nil
}

func clock(t time.Time) string { return t.Format("2006-01-02 15:04:05 -07:00") }

// FlashToBangResult is a distance from the time between flash and thunder.
type FlashToBangResult struct {
	Miles           float64 // seconds / 5
	Kilometres      float64 // by the same rule
	SoundKilometres float64 // at 343 m/s
	Working         working.Working
}

// FlashToBang returns how far lightning was: miles = seconds/5 for 0 to 300 s. It
// answers curiosity, never whether to stay: thunder heard means shelter.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: NWS.
func FlashToBang(seconds float64) (FlashToBangResult, error) {
	if err := FlashSeconds.Check("seconds", seconds); err != nil {
		return FlashToBangResult{}, err
	}
	r := FlashToBangResult{Miles: seconds / secondsPerMileOfSound, SoundKilometres: seconds * soundMetresPerSecond / 1000}
	r.Kilometres = r.Miles * KilometresPerMile
	r.Working = working.Working{
		Formula: "flash to bang: miles = seconds/5",
		Inputs:  []working.Term{working.Number("time from flash to thunder", "", seconds, "s")},
		Result: []working.Term{
			working.NumberDown("distance", "", r.Miles, "miles"),
			working.NumberDown("the same", "", r.Kilometres, "km"),
			working.NumberDown("at 343 m/s", "", r.SoundKilometres, "km"),
			working.Words("what to do", "THUNDER WAS HEARD: all down and into shelter at once, at any distance"),
		},
		Sources:  []working.Source{nws("flash to bang, and: any thunder heard means shelter", working.Confirmed)},
		Cautions: []string{"Thunder heard means that the next strike can reach this tower. Nobody stays to count."},
		LeftOut:  []string{"where the next strike falls", "flashes whose thunder belongs to another"},
		Defers:   working.DefersWeather,
	}
	return r, nil
}

// StopDistanceInput asks at which distance of an approaching storm people must
// start down.
type StopDistanceInput struct {
	StormMPH       float64
	DescentMinutes float64
	ShelterMinutes float64 // from the tower's foot into shelter
}

// StopDistanceResult is in miles.
type StopDistanceResult struct {
	Miles   float64
	Working working.Working
}

// StopDistance returns 10 miles plus the way that the storm makes while people
// come down and reach shelter.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: common practice (descent
// time is added to the warning time); the arithmetic is computed.
func StopDistance(in StopDistanceInput) (StopDistanceResult, error) {
	minutes := working.Domain{Min: 0, Max: 600, Unit: "min"}
	if err := (working.Domain{Min: 0, Max: 200, Unit: "mph"}).Check("storm_mph", in.StormMPH); err != nil {
		return StopDistanceResult{}, err
	}
	if err := minutes.Check("descent_minutes", in.DescentMinutes); err != nil {
		return StopDistanceResult{}, err
	}
	if err := minutes.Check("shelter_minutes", in.ShelterMinutes); err != nil {
		return StopDistanceResult{}, err
	}
	way := in.StormMPH * (in.DescentMinutes + in.ShelterMinutes) / 60
	r := StopDistanceResult{Miles: DetectionMiles + way}
	r.Working = working.Working{
		Formula: "distance at which to start down: 10 miles + storm speed * (descent + way to shelter)",
		Inputs: []working.Term{
			working.Number("speed of the storm", "", in.StormMPH, "mph"),
			working.Number("descent", "", in.DescentMinutes, "min"),
			working.Number("way into shelter", "", in.ShelterMinutes, "min"),
		},
		Steps: []working.Term{working.NumberUp("way of the storm meanwhile", "", way, "miles")},
		Result: []working.Term{
			working.NumberUp("start down when the storm is within", "", r.Miles, "miles"),
			working.NumberUp("the same", "", r.Miles*KilometresPerMile, "km"),
		},
		Sources:  []working.Source{{Document: "10 miles, and descent time added to the warning time", Status: working.CommonPractice}},
		Cautions: []string{"A storm can grow overhead: no distance covers that. Any thunder heard: all down at once."},
		LeftOut:  []string{"storms that build on the spot", "age and reach of the detection service", "an injured or slow climber"},
		Defers:   working.DefersWeather,
	}
	return r, nil
}
