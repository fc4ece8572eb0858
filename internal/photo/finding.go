package photo

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Severity says who needs to see a finding.
type Severity string

const (
	// Exception is put before the lead at sign-off.
	Exception Severity = "exception"
	// Info stands with the photo.
	Info Severity = "info"
)

// Code names a finding. It is kept in records and never renamed.
type Code string

// Every finding. None refuses a photo.
const (
	NotReadable      Code = "PHOTO_NOT_READABLE"
	OverBounds       Code = "PHOTO_OVER_BOUNDS"
	NotExamined      Code = "PHOTO_NOT_EXAMINED"
	TooSmall         Code = "PHOTO_TOO_SMALL"
	UnderContract    Code = "PHOTO_UNDER_CONTRACT_SIZE"
	Blank            Code = "PHOTO_BLANK"
	Soft             Code = "PHOTO_SOFT"
	Dark             Code = "PHOTO_DARK"
	Bright           Code = "PHOTO_BRIGHT"
	ClippedDark      Code = "PHOTO_CLIPPED_DARK"
	ClippedBright    Code = "PHOTO_CLIPPED_BRIGHT"
	ExifTimeAbsent   Code = "PHOTO_EXIF_TIME_ABSENT"
	ExifTimeAway     Code = "PHOTO_EXIF_TIME_AWAY"
	DeviceAhead      Code = "PHOTO_DEVICE_TIME_AHEAD"
	SentLate         Code = "PHOTO_SENT_LATE"
	DeviceClockOff   Code = "PHOTO_DEVICE_CLOCK_OFF"
	PositionAbsent   Code = "PHOTO_POSITION_ABSENT"
	PositionCoarse   Code = "PHOTO_POSITION_COARSE"
	PositionAway     Code = "PHOTO_POSITION_AWAY"
	ExifPositionAway Code = "PHOTO_EXIF_POSITION_AWAY"
	NotInApp         Code = "PHOTO_NOT_TAKEN_IN_APP"
	SameBytes        Code = "PHOTO_SAME_BYTES"
	LooksLike        Code = "PHOTO_LOOKS_LIKE"
	ScreenLike       Code = "PHOTO_SCREEN_LIKE"
	Edited           Code = "PHOTO_EDITED"
	TrailingData     Code = "PHOTO_TRAILING_DATA"
	SeveralFrames    Code = "PHOTO_SEVERAL_FRAMES"
)

// Finding is one thing that a person should know about a photo.
type Finding struct {
	Code     Code
	Severity Severity
	// Measured says that Measure and Threshold hold figures, in Unit.
	Measured  bool
	Measure   float64
	Threshold float64
	Unit      string
	// Source says where the threshold comes from.
	Source string
	// Message is the stable id of the sentence and Parameters fill it, so that
	// it can be said in another language; Text is the sentence in English.
	Message    string
	Parameters map[string]string
	Text       string
}

// english holds one sentence for each message id. Ids are kept for ever; the
// sentences may be bettered.
var english = map[string]string{
	"photo.not_readable.empty":   "The photo has no bytes. Take it again.",
	"photo.not_readable.unknown": "These bytes are no picture that can be read (they begin like: {kind}). Take the photo again.",
	"photo.not_readable.cut":     "The picture ends too early: part of it is missing. Take the photo again, or send it again.",
	"photo.not_readable.damaged": "The picture is damaged and cannot be read. Take the photo again.",
	"photo.over_bounds.pixels":   "The picture says it has {megapixels} million pixels; the most that is taken is {most}. Set the camera to a smaller size and take the photo again.",
	"photo.not_examined.heif":    "The photo is kept as it came. This kind of picture (HEIC, HEIF or AVIF) is not examined here; send the JPEG copy too.",
	"photo.not_examined.pixels":  "The photo is kept, not examined: it has {megapixels} million pixels, and a {kind} picture is examined up to {most}.",
	"photo.not_examined.memory":  "The photo is kept, not examined: opening it would need {megabytes} MB of memory, and {most} are allowed.",
	"photo.not_examined.scans":   "The photo is kept, not examined: it is built of {scans} layers, and {most} are allowed.",
	"photo.not_examined.kind":    "The photo is kept, not examined: it is {kind}.",

	"photo.too_small":      "The photo is small: {width} × {height} pixels, {megapixels} million. Details of a connector may not show; at least {least} million are wanted.",
	"photo.under_contract": "The photo has {megapixels} million pixels. Some contracts ask for {least}: check yours.",
	"photo.blank":          "The photo shows one even tone and nothing else (spread {measure}, wanted {threshold} or more). Was something before the lens?",
	"photo.soft":           "The photo looks soft (sharpness {measure}, wanted {threshold} or more). Hold still, move a little back, tap to focus, take it again.",
	"photo.dark":           "The photo is dark (mean {measure} of 255, wanted {threshold} or more). Use a light.",
	"photo.bright":         "The photo is too bright (mean {measure} of 255, wanted {threshold} or less). Turn away from the sun or the lamp.",
	"photo.clipped_dark":   "{measure} % of the photo is black without detail ({threshold} % are usual). Use a light or another angle.",
	"photo.clipped_bright": "{measure} % of the photo is white without detail ({threshold} % are usual). Turn away from the sun or the glare.",

	"photo.exif_time_absent":          "The photo itself holds no time. The time of the phone counts.",
	"photo.exif_time_away":            "The photo says it was taken at {exif} (UTC); the phone said {device} (UTC): {apart} apart.",
	"photo.exif_time_away.zone":       "The photo says it was taken at {exif} by its own clock, offset unknown, read in the site's zone {zone}; the phone said {device} (UTC): {apart} apart.",
	"photo.exif_time_away.any_offset": "The photo says it was taken at {exif} by its own clock, offset unknown; the phone said {device} (UTC). No time zone brings them together: at least {apart} apart.",
	"photo.device_ahead":              "The phone's time {device} (UTC) lies {apart} after the server received the photo. The phone's clock is wrong.",
	"photo.sent_late":                 "The photo reached the server {apart} after it was taken.",
	"photo.device_clock_off":          "The phone's clock was {apart} off when it was last measured.",
	"photo.position_absent":           "No position came with the photo.",
	"photo.position_coarse":           "The position is good to {accuracy} m only: it cannot tell whether the photo was taken at the site.",
	"photo.position_away":             "The phone was {distance} m from the site (± {accuracy} m; the site reaches {radius} m).",
	"photo.exif_position_away":        "The photo itself says that it was taken {distance} m from the site (the site reaches {radius} m).",
	"photo.exif_position_away.device": "The photo itself says that it was taken {distance} m from where the phone was.",
	"photo.not_in_app.camera":         "The photo was taken with the phone's camera program, not in the page.",
	"photo.not_in_app.picked":         "The photo was picked from the phone's pictures, not taken at this step.",
	"photo.not_in_app.unsaid":         "It is not said how the photo was taken.",
	"photo.same_bytes":                "Exactly the same photo is already here: {photo} (and {more} more). Is it the same photo twice?",
	"photo.looks_like":                "The photo looks like another one: {photo} ({coarse} of 64 and {fine} of 256 marks differ; {more} more). Is it the same photo twice?",
	"photo.looks_like.turned":         "Turned or mirrored, the photo looks like another one: {photo} ({coarse} of 64 and {fine} of 256 marks differ; {more} more). Is it the same photo twice?",
	"photo.screen_like":               "The picture looks like a copy of a screen: {measure} % of it has exactly even areas ({threshold} % would be many for a photo), and no camera is named.",
	"photo.edited":                    "The photo's own data says that it was changed by a program ({signs}; software: {software}). The unchanged original is wanted.",
	"photo.trailing_data":             "{bytes} bytes stand after the end of the picture (they begin like: {kind}). They are kept and not looked at.",
	"photo.several_frames":            "The picture holds {frames} frames; the first is examined.",
}

// Sentence fills the English sentence of a message id; empty for an unknown id.
func Sentence(message string, parameters map[string]string) string {
	pairs := make([]string, 0, 2*len(parameters))
	for _, k := range slices.Sorted(maps.Keys(parameters)) {
		pairs = append(pairs, "{"+k+"}", parameters[k])
	}
	return strings.NewReplacer(pairs...).Replace(english[message])
}

// say makes a finding; kv are alternating parameters and values.
func say(code Code, severity Severity, message string, kv ...string) Finding {
	p := make(map[string]string, len(kv)/2)
	for i := 0; i+1 < len(kv); i += 2 {
		p[kv[i]] = kv[i+1]
	}
	return Finding{Code: code, Severity: severity, Message: message, Parameters: p, Text: Sentence(message, p)}
}

// measured adds the figures.
func (f Finding) measured(measure float64, limit Limit, unit string) Finding {
	f.Measured, f.Measure, f.Threshold, f.Unit, f.Source = true, measure, limit.Value, unit, limit.Source
	return f
}

func decimal(v float64, places int) string {
	if math.Abs(v) > 1e15 {
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
	return strconv.FormatFloat(v, 'f', places, 64)
}
