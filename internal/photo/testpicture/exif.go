package testpicture

import (
	"encoding/binary"
	"math"
	"time"
)

// Exif is a small Exif 2.32 block as a camera writes it. Zero fields are left out.
type Exif struct {
	// Taken is written by its wall clock in its own location.
	Taken time.Time
	// Offset is OffsetTimeOriginal, such as "+02:00"; empty for unknown.
	Offset string
	// SubSeconds is SubSecTimeOriginal, digits after the point.
	SubSeconds string
	// Changed is the time of the last change of the file (tag 306).
	Changed time.Time
	// Positioned writes Latitude and Longitude in degrees, north and east
	// positive, and AccuracyMeters if over 0.
	Positioned                          bool
	Latitude, Longitude, AccuracyMeters float64
	Make, Model, Software               string
	Orientation                         int
	LittleEndian                        bool
}

const (
	short    = 3
	ascii    = 2
	long     = 4
	rational = 5
)

type field struct {
	tag, kind uint16
	count     uint32
	value     []byte
}

// Insert returns jpeg with the block right after its start marker. It panics when
// jpeg is none or the block is over 64 KiB: both are mistakes of a test.
func (e Exif) Insert(jpeg []byte) []byte {
	body := append([]byte("Exif\x00\x00"), e.TIFF()...)
	if len(jpeg) < 2 || jpeg[0] != 0xff || jpeg[1] != 0xd8 || len(body) > 65_000 {
		panic("testpicture: not a JPEG, or too much Exif")
	}
	return Segment(jpeg, 0xe1, body)
}

// Segment returns jpeg with one more segment right after its start marker.
func Segment(jpeg []byte, marker byte, body []byte) []byte {
	out := append([]byte{0xff, 0xd8, 0xff, marker}, binary.BigEndian.AppendUint16(nil, uint16(len(body)+2))...)
	out = append(out, body...)
	return append(out, jpeg[2:]...)
}

// TIFF returns the block from its byte-order mark on.
func (e Exif) TIFF() []byte {
	var order binary.AppendByteOrder = binary.BigEndian
	head := []byte("MM\x00*")
	if e.LittleEndian {
		order, head = binary.LittleEndian, []byte("II*\x00")
	}
	text := func(tag uint16, s string) field {
		return field{tag, ascii, uint32(len(s) + 1), append([]byte(s), 0)}
	}
	number := func(tag, kind uint16, v uint32) field {
		if kind == short {
			return field{tag, kind, 1, order.AppendUint16(nil, uint16(v))}
		}
		return field{tag, kind, 1, order.AppendUint32(nil, v)}
	}
	ratios := func(tag uint16, pairs ...uint32) field {
		f := field{tag: tag, kind: rational, count: uint32(len(pairs) / 2)}
		for _, v := range pairs {
			f.value = order.AppendUint32(f.value, v)
		}
		return f
	}
	const stamp = "2006:01:02 15:04:05"

	var photo, place []field
	if !e.Taken.IsZero() {
		photo = append(photo, text(0x9003, e.Taken.Format(stamp)))
	}
	if e.Offset != "" {
		photo = append(photo, text(0x9010, e.Offset), text(0x9011, e.Offset))
	}
	if e.SubSeconds != "" {
		photo = append(photo, text(0x9291, e.SubSeconds))
	}
	if e.Positioned {
		degrees := func(v float64) []uint32 {
			v = math.Abs(v)
			d := math.Floor(v)
			m := math.Floor((v - d) * 60)
			sec := (v - d - m/60) * 3600
			return []uint32{uint32(d), 1, uint32(m), 1, uint32(math.Round(max(sec, 0) * 1000)), 1000}
		}
		side := func(v float64, plus, minus string) string {
			if v < 0 {
				return minus
			}
			return plus
		}
		place = append(place, text(1, side(e.Latitude, "N", "S")), ratios(2, degrees(e.Latitude)...),
			text(3, side(e.Longitude, "E", "W")), ratios(4, degrees(e.Longitude)...))
		if e.AccuracyMeters > 0 {
			place = append(place, ratios(0x1f, uint32(math.Round(e.AccuracyMeters*10)), 10))
		}
	}
	var main []field
	if e.Make != "" {
		main = append(main, text(0x10f, e.Make))
	}
	if e.Model != "" {
		main = append(main, text(0x110, e.Model))
	}
	if e.Orientation != 0 {
		main = append(main, number(0x112, short, uint32(e.Orientation)))
	}
	if e.Software != "" {
		main = append(main, text(0x131, e.Software))
	}
	if !e.Changed.IsZero() {
		main = append(main, text(0x132, e.Changed.Format(stamp)))
	}
	pointers := len(main)
	if len(photo) > 0 {
		main = append(main, number(0x8769, long, 0))
	}
	if len(place) > 0 {
		main = append(main, number(0x8825, long, 0))
	}

	// Sizes first, so that the pointers are known: a directory, then its values.
	size := func(fields []field) uint32 {
		n := uint32(2 + 12*len(fields) + 4)
		for _, f := range fields {
			if len(f.value) > 4 {
				n += uint32(len(f.value))
			}
		}
		return n
	}
	at := 8 + size(main)
	if len(photo) > 0 {
		main[pointers] = number(0x8769, long, at)
		pointers++
		at += size(photo)
	}
	if len(place) > 0 {
		main[pointers] = number(0x8825, long, at)
	}
	out := order.AppendUint32(head, 8)
	for _, fields := range [][]field{main, photo, place} {
		if len(fields) == 0 && len(out) > 8 {
			continue
		}
		values := uint32(len(out)) + uint32(2+12*len(fields)+4)
		var tail []byte
		out = order.AppendUint16(out, uint16(len(fields)))
		for _, f := range fields {
			out = order.AppendUint16(out, f.tag)
			out = order.AppendUint16(out, f.kind)
			out = order.AppendUint32(out, f.count)
			if len(f.value) <= 4 {
				out = append(out, f.value...)
				out = append(out, make([]byte, 4-len(f.value))...)
				continue
			}
			out = order.AppendUint32(out, values+uint32(len(tail)))
			tail = append(tail, f.value...)
		}
		out = order.AppendUint32(out, 0)
		out = append(out, tail...)
	}
	return out
}
