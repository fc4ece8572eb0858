package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/bep/imagemeta"
)

// Exif is what the photo says about itself: a second witness, never the first.
// Absent is not wrong: phones and browsers remove it. The camera's maker, model
// and serial number are not kept.
type Exif struct {
	// Present says that an Exif block was there and could be read.
	Present bool
	// Taken is DateTimeOriginal with SubSecTimeOriginal. Its wall clock stands in
	// UTC when OffsetKnown is false: then only the numbers mean something, not
	// the instant. Zero when absent or impossible.
	Taken       time.Time
	OffsetKnown bool
	// Changed is the tag 306 (ModifyDate), the time of the last change of the file, on
	// the same clock as Taken; zero when absent.
	Changed time.Time
	// Position is the place that the photo states, nil when it does not.
	Position *Position
	// Orientation is 1 to 8 (Exif 2.32, tag 274); 1 when absent or out of range.
	Orientation int
	// Camera says that a maker or model was named.
	Camera bool
	// Software is the Software tag, at most 100 printable characters.
	Software string
	// Edits lists the signs of editing that the metadata itself carries: see the
	// Edit constants.
	Edits []string
}

// Signs of editing, in the order in which they are listed.
const (
	EditHistory   = "history"   // an XMP history or a parent document
	EditGenerated = "generated" // an IPTC digital source type that names a composite or a generator
	EditSoftware  = "software"  // the Software tag says so in a general word
	EditTime      = "time"      // the file was changed later than the picture was taken
)

// Position is a place on the earth in degrees (WGS 84, north and east positive).
// AccuracyMeters is the radius the device states; 0 when it states none.
type Position struct {
	Latitude, Longitude float64
	AccuracyMeters      float64
}

// editAfter is how much later than the picture the file may be changed before it
// counts as edited: cameras write both within a second or two. Common practice.
const editAfter = 5 * time.Second

const (
	maxTags    = 1000
	maxTagSize = 4096
	maxText    = 100
	maxReads   = 200_000
)

// boundedReader ends after so many steps. A HEIF whose boxes point back at each
// other keeps the metadata reader going round for ever; it has to read to do so.
type boundedReader struct {
	r    *bytes.Reader
	left int
}

var errTooManyReads = errors.New("metadata: too many steps")

func (b *boundedReader) Read(p []byte) (int, error) {
	if b.left--; b.left < 0 {
		return 0, errTooManyReads
	}
	return b.r.Read(p)
}

func (b *boundedReader) Seek(offset int64, whence int) (int64, error) {
	if b.left--; b.left < 0 {
		return 0, errTooManyReads
	}
	return b.r.Seek(offset, whence)
}

// readExif reads the metadata of any of the formats. It never fails: what cannot
// be read is absent.
func readExif(b []byte, h Header) (out Exif, width, height int) {
	out.Orientation = 1
	// The block itself is read where its place is known: the reader's own walk
	// through a WebP misses chunks after one of odd length.
	format, block := imagemeta.TIFF, h.exif
	sources := imagemeta.EXIF
	if h.Format == HEIF {
		format, block = imagemeta.HEIF, b
		sources |= imagemeta.CONFIG
	}
	tags := map[string]any{}
	doubtful := false
	result, err := imagemeta.Decode(imagemeta.Options{
		R:            &boundedReader{bytes.NewReader(block), maxReads},
		ImageFormat:  format,
		Sources:      sources,
		LimitNumTags: maxTags,
		LimitTagSize: maxTagSize,
		// The reader gives a wrong position the value 0; the warning tells.
		Warnf: func(string, ...any) { doubtful = true },
		ShouldHandleTag: func(tag imagemeta.TagInfo) bool {
			// IFD1 is the built-in thumbnail; its tags must not win.
			return tag.Source == imagemeta.EXIF && wanted[tag.Tag] && !strings.Contains(tag.Namespace, "IFD1")
		},
		HandleTag: func(tag imagemeta.TagInfo) error {
			if _, twice := tags[tag.Tag]; !twice {
				tags[tag.Tag] = tag.Value
			}
			return nil
		},
	})
	// A damaged block may end in an error after some tags: they still count.
	out.Present = len(tags) > 0
	if err == nil {
		width, height = result.ImageConfig.Width, result.ImageConfig.Height
	}
	text := func(tag string) string {
		s, _ := tags[tag].(string)
		return printable(s)
	}
	if n, ok := number(tags["Orientation"]); ok && n >= 1 && n <= 8 {
		out.Orientation = int(n)
	}
	out.Camera = text("Make") != "" || text("Model") != ""
	out.Software = text("Software")
	out.Taken, out.OffsetKnown = exifTime(text("DateTimeOriginal"), subSeconds(h.exif), text("OffsetTimeOriginal"))
	if changed, known := exifTime(text("ModifyDate"), "", text("OffsetTime")); known == out.OffsetKnown {
		out.Changed = changed
	}
	if !doubtful {
		out.Position = exifPosition(tags)
	}
	out.Edits = edits(out, h.xmp)
	return out, width, height
}

var wanted = map[string]bool{
	"Orientation": true, "Make": true, "Model": true, "Software": true, "ModifyDate": true,
	"DateTimeOriginal": true, "OffsetTimeOriginal": true, "OffsetTime": true,
	"GPSLatitude": true, "GPSLatitudeRef": true, "GPSLongitude": true, "GPSLongitudeRef": true,
	"GPSHPositioningError": true,
}

// printable trims s and drops what is not printable, so that a tag can stand in
// a sentence, a log and a report.
func printable(s string) string {
	n := 0
	s = strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return -1
		}
		if n++; n > maxText {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	return strings.TrimSpace(s)
}

func number(v any) (float64, bool) {
	var f float64
	switch n := v.(type) {
	case int:
		f = float64(n)
	case int16:
		f = float64(n)
	case int32:
		f = float64(n)
	case int64:
		f = float64(n)
	case uint8:
		f = float64(n)
	case uint16:
		f = float64(n)
	case uint32:
		f = float64(n)
	case float64:
		f = n
	case interface{ Float64() float64 }:
		f = n.Float64()
	default:
		return 0, false
	}
	return f, !math.IsNaN(f) && !math.IsInf(f, 0)
}

// exifTime reads "2006:01:02 15:04:05" with its fraction and offset. The offset
// is unknown when it is blank or not of the form ±hh:mm (Exif 2.31).
func exifTime(text, fraction, offset string) (t time.Time, offsetKnown bool) {
	t, err := time.Parse("2006:01:02 15:04:05", text)
	if err != nil || t.Year() < 1990 {
		return time.Time{}, false // "0000:00:00 00:00:00" and blanks mean unknown
	}
	if fraction != "" {
		if f, err := strconv.ParseFloat("0."+fraction, 64); err == nil {
			t = t.Add(time.Duration(f * float64(time.Second)).Truncate(time.Millisecond))
		}
	}
	zone, err := time.Parse("-07:00", offset)
	if err != nil {
		return t, false
	}
	_, seconds := zone.Zone()
	if seconds < -14*3600 || seconds > 14*3600 {
		return t, false
	}
	return t.Add(-time.Duration(seconds) * time.Second), true
}

func exifPosition(tags map[string]any) *Position {
	lat, ok1 := number(tags["GPSLatitude"])
	lon, ok2 := number(tags["GPSLongitude"])
	ns, _ := tags["GPSLatitudeRef"].(string)
	ew, _ := tags["GPSLongitudeRef"].(string)
	if !ok1 || !ok2 || lat < 0 || lat > 90 || lon < 0 || lon > 180 {
		return nil
	}
	switch strings.TrimRight(ns, "\x00 ") {
	case "N":
	case "S":
		lat = -lat
	default:
		return nil
	}
	switch strings.TrimRight(ew, "\x00 ") {
	case "E":
	case "W":
		lon = -lon
	default:
		return nil
	}
	if lat == 0 && lon == 0 {
		return nil // what a receiver without a fix writes
	}
	p := &Position{Latitude: lat, Longitude: lon}
	if acc, ok := number(tags["GPSHPositioningError"]); ok && acc > 0 && acc < 1e6 {
		p.AccuracyMeters = acc
	}
	return p
}

// subSeconds reads SubSecTimeOriginal (tag 37521) from the TIFF block. The
// metadata reader makes a whole number of it, in which "05" and "5" are one.
func subSeconds(tiff []byte) string {
	if len(tiff) < 8 {
		return ""
	}
	var order binary.ByteOrder = binary.BigEndian
	if tiff[0] == 'I' {
		order = binary.LittleEndian
	}
	// find returns the 12 bytes of a tag's entry in the directory at offset.
	find := func(offset uint32, tag uint16) []byte {
		if uint64(offset)+2 > uint64(len(tiff)) {
			return nil
		}
		n := int(order.Uint16(tiff[offset:]))
		for i := range min(n, maxTags) {
			at := int(offset) + 2 + 12*i
			if at+12 > len(tiff) {
				return nil
			}
			if order.Uint16(tiff[at:]) == tag {
				return tiff[at : at+12]
			}
		}
		return nil
	}
	entry := find(order.Uint32(tiff[4:]), 0x8769)
	if entry == nil {
		return ""
	}
	entry = find(order.Uint32(entry[8:]), 0x9291)
	if entry == nil || order.Uint16(entry[2:]) != 2 {
		return ""
	}
	n := order.Uint32(entry[4:])
	value := entry[8:12]
	if n > 4 {
		at := uint64(order.Uint32(entry[8:]))
		if n > 32 || at+uint64(n) > uint64(len(tiff)) {
			return ""
		}
		value = tiff[at : at+uint64(n)]
	} else {
		value = value[:n]
	}
	digits := strings.TrimRight(string(value), "\x00 ")
	for _, c := range digits {
		if c < '0' || c > '9' {
			return ""
		}
	}
	return digits[:min(len(digits), 9)]
}

// editWords are general words that the Software tag of an editor holds and that
// of a camera does not. No list of programs: it would be old within a year.
var editWords = []string{"edit", "paint", "retouch", "collage", "montage", "filter", "draw", "generat", "image manipulation"}

func edits(x Exif, xmp [][]byte) []string {
	var out []string
	has := func(words ...string) bool {
		for _, packet := range xmp {
			for _, w := range words {
				if bytes.Contains(packet, []byte(w)) {
					return true
				}
			}
		}
		return false
	}
	if has("xmpMM:History", "xmpMM:DerivedFrom", "stEvt:action") {
		out = append(out, EditHistory)
	}
	if has("compositeWithTrainedAlgorithmicMedia", "trainedAlgorithmicMedia", "algorithmicMedia",
		"digitalsourcetype/composite", "compositeSynthetic", "digitalsourcetype/digitalArt", "virtualRecording") {
		out = append(out, EditGenerated)
	}
	software := strings.ToLower(x.Software)
	for _, w := range editWords {
		if strings.Contains(software, w) {
			out = append(out, EditSoftware)
			break
		}
	}
	if !x.Taken.IsZero() && !x.Changed.IsZero() && x.Changed.Sub(x.Taken) > editAfter {
		out = append(out, EditTime)
	}
	return out
}
