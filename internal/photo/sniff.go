package photo

import (
	"bytes"
	"encoding/binary"
)

// Format is the kind of picture that the first bytes say it is.
type Format string

// The formats that are told apart. HEIF stands for HEIC and AVIF too: they are
// kept as they came and not decoded.
const (
	Unknown Format = ""
	JPEG    Format = "JPEG"
	PNG     Format = "PNG"
	WebP    Format = "WebP"
	HEIF    Format = "HEIF"
)

// Header is what the bytes say before anything is decoded.
type Header struct {
	Format Format
	// Width and Height are in pixels as stored, before orientation; 0 when the
	// header does not say. In a WebP they are the larger of canvas and frame.
	Width, Height int
	// Progressive says that a JPEG is progressive (SOF2) or that a PNG is
	// interlaced.
	Progressive bool
	// Scans counts a JPEG's scans.
	Scans int
	// Frames counts the frames of an animation; 1 for a still picture.
	Frames int
	// Ended says that the format's own end was found.
	Ended bool
	// TrailingBytes counts the bytes after the format's own end; TrailingKind
	// says what they begin like: "picture", "film", "archive", "document",
	// "page", "program" or "data"; empty when there are none.
	TrailingBytes int
	TrailingKind  string
	// LooksLike is set when Format is Unknown: what the bytes begin like, in the
	// words of TrailingKind.
	LooksLike string

	unsupported string // why the decoder would refuse it although it may be sound
	pixelBytes  int64  // estimated memory of the decoded picture
	exif        []byte // TIFF block, from its byte-order mark
	xmp         [][]byte
}

// Pixels is width times height.
func (h Header) Pixels() int64 { return int64(h.Width) * int64(h.Height) }

// MemoryNeed estimates the memory in bytes that Examine needs at its peak: the
// photo itself, the decoded picture and the derived views. Decode one picture at
// a time, or add the estimates up.
func (h Header) MemoryNeed(photoBytes int) int64 {
	const views = 12 << 20 // 1280 and 320 px planes, encoders, buffers
	return int64(photoBytes) + h.pixelBytes + views
}

// Sniff names the format by the first bytes, whatever the name or the declared
// type say. Twelve bytes are enough.
func Sniff(picture []byte) Format {
	switch {
	case bytes.HasPrefix(picture, []byte("\xff\xd8\xff")):
		return JPEG
	case bytes.HasPrefix(picture, []byte("\x89PNG\r\n\x1a\n")):
		return PNG
	case len(picture) >= 12 && string(picture[:4]) == "RIFF" && string(picture[8:12]) == "WEBP":
		return WebP
	case len(picture) >= 12 && string(picture[4:8]) == "ftyp":
		switch string(picture[8:12]) {
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "mif2", "msf1", "avif", "avis":
			return HEIF
		}
	}
	return Unknown
}

// looksLike says in one word what a run of bytes begins like.
func looksLike(b []byte) string {
	switch {
	case len(b) == 0:
		return ""
	case Sniff(b) != Unknown, bytes.HasPrefix(b, []byte("GIF8")), bytes.HasPrefix(b, []byte("BM")),
		bytes.HasPrefix(b, []byte("II*\x00")), bytes.HasPrefix(b, []byte("MM\x00*")):
		return "picture"
	case len(b) >= 8 && string(b[4:8]) == "ftyp", bytes.HasPrefix(b, []byte("\x1aE\xdf\xa3")):
		return "film"
	case bytes.HasPrefix(b, []byte("PK\x03\x04")), bytes.HasPrefix(b, []byte("PK\x05\x06")),
		bytes.HasPrefix(b, []byte("\x1f\x8b")), bytes.HasPrefix(b, []byte("7z\xbc\xaf")), bytes.HasPrefix(b, []byte("Rar!")):
		return "archive"
	case bytes.HasPrefix(b, []byte("%PDF")):
		return "document"
	case bytes.HasPrefix(b, []byte("MZ")), bytes.HasPrefix(b, []byte("\x7fELF")), bytes.HasPrefix(b, []byte("#!")):
		return "program"
	}
	head := bytes.ToLower(bytes.TrimSpace(b[:min(len(b), 256)]))
	if bytes.HasPrefix(head, []byte("<")) {
		return "page"
	}
	return "data"
}

// ReadHeader walks the photo's own structure without decoding a pixel. It never
// fails: what it cannot read stays zero, and the decoder has the last word.
func ReadHeader(picture []byte) Header {
	h := Header{Format: Sniff(picture), Frames: 1}
	end := 0
	switch h.Format {
	case JPEG:
		end = h.readJPEG(picture)
	case PNG:
		end = h.readPNG(picture)
	case WebP:
		end = h.readWebP(picture)
	case HEIF:
		h.Ended = true // its boxes may lie in any order; the original is only kept
		return h
	default:
		h.LooksLike = looksLike(picture)
		return h
	}
	if h.Ended && end < len(picture) {
		rest := picture[end:]
		// Phones pad to a whole block with zeros: no hidden content.
		if trimmed := bytes.TrimLeft(rest, "\x00"); len(trimmed) > 0 {
			h.TrailingBytes = len(rest)
			if h.TrailingKind = looksLike(rest); h.TrailingKind == "data" {
				h.TrailingKind = looksLike(trimmed)
			}
		}
	}
	return h
}

var (
	exifMark = []byte("Exif\x00\x00")
	xmpMark  = []byte("http://ns.adobe.com/xap/1.0/\x00")
)

// readJPEG walks the markers of ITU-T T.81 and returns where the picture ends.
func (h *Header) readJPEG(b []byte) (end int) {
	var adobe, jfif bool
	var transform byte
	var samples int64
	components := 0
	rgbNames := false
	pos := 2
	for {
		// Like every lenient decoder, skip to the next 0xFF, then its fill bytes.
		i := bytes.IndexByte(b[pos:], 0xff)
		if i < 0 {
			break
		}
		pos += i
		for pos < len(b) && b[pos] == 0xff {
			pos++
		}
		if pos >= len(b) {
			break
		}
		marker := b[pos]
		pos++
		if marker == 0 || marker == 1 || marker >= 0xd0 && marker <= 0xd8 {
			continue
		}
		if marker == 0xd9 {
			h.Ended = true
			break
		}
		if pos+2 > len(b) {
			break
		}
		n := int(binary.BigEndian.Uint16(b[pos:]))
		if n < 2 || pos+n > len(b) {
			break
		}
		body := b[pos+2 : pos+n]
		pos += n
		switch {
		case marker >= 0xc0 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc:
			if len(body) < 6 || components > 0 {
				continue // the decoder refuses a second frame header
			}
			switch marker {
			case 0xc0, 0xc1:
			case 0xc2:
				h.Progressive = true
			default:
				h.unsupported = "a rare kind of JPEG"
			}
			if body[0] != 8 {
				h.unsupported = "a JPEG with more than eight bits for each colour"
			}
			h.Height = int(binary.BigEndian.Uint16(body[1:]))
			h.Width = int(binary.BigEndian.Uint16(body[3:]))
			components = int(body[5])
			if len(body) < 6+3*components {
				continue
			}
			maxH, maxV := 1, 1
			for c := range components {
				hv := body[6+3*c+1]
				maxH, maxV = max(maxH, int(hv>>4)), max(maxV, int(hv&15))
			}
			mx := int64((h.Width + 8*maxH - 1) / (8 * maxH))
			my := int64((h.Height + 8*maxV - 1) / (8 * maxV))
			for c := range components {
				hv := body[6+3*c+1]
				samples += mx * my * 64 * int64(hv>>4) * int64(hv&15)
			}
			if components == 3 {
				rgbNames = body[6] == 'R' && body[9] == 'G' && body[12] == 'B'
			}
		case marker == 0xe0 && bytes.HasPrefix(body, []byte("JFIF\x00")):
			jfif = true
		case marker == 0xee && bytes.HasPrefix(body, []byte("Adobe")) && len(body) >= 12:
			adobe, transform = true, body[11]
		case marker == 0xe1 && bytes.HasPrefix(body, exifMark) && h.exif == nil:
			h.exif = body[len(exifMark):]
		case marker == 0xe1 && bytes.HasPrefix(body, xmpMark):
			h.addXMP(body[len(xmpMark):])
		case marker == 0xda:
			h.Scans++
			pos += scanLength(b[pos:])
		}
	}
	h.pixelBytes = samples
	if h.Progressive {
		h.pixelBytes += 4 * samples // every coefficient, four bytes
	}
	if components == 4 || components == 3 && !jfif && (rgbNames || adobe && transform == 0) {
		h.pixelBytes += (4 + 3) * h.Pixels() // turned into RGBA, then into luma and colour
	}
	return pos
}

// addXMP keeps a packet to be searched, up to 1 MiB in all.
func (h *Header) addXMP(packet []byte) {
	left := 1 << 20
	for _, p := range h.xmp {
		left -= len(p)
	}
	if left > 0 && len(h.xmp) < 64 {
		h.xmp = append(h.xmp, packet[:min(len(packet), left)])
	}
}

// scanLength returns how many bytes of entropy-coded data stand before the next
// marker: in it, 0xFF is followed by 0x00 (stuffed) or a restart marker.
func scanLength(b []byte) int {
	pos := 0
	for {
		i := bytes.IndexByte(b[pos:], 0xff)
		if i < 0 || pos+i+1 >= len(b) {
			return len(b)
		}
		pos += i
		switch next := b[pos+1]; {
		case next == 0 || next >= 0xd0 && next <= 0xd7:
			pos += 2
		case next == 0xff:
			pos++
		default:
			return pos
		}
	}
}

// readPNG walks the chunks (PNG third edition, 2025, section 5.3).
func (h *Header) readPNG(b []byte) (end int) {
	pos := 8
	for pos+12 <= len(b) {
		n := int(binary.BigEndian.Uint32(b[pos:]))
		if n > len(b)-pos-12 {
			return pos
		}
		kind, body := string(b[pos+4:pos+8]), b[pos+8:pos+8+n]
		pos += 12 + n
		switch kind {
		case "IHDR":
			if n < 13 || h.Width > 0 {
				continue
			}
			w, ht := binary.BigEndian.Uint32(body), binary.BigEndian.Uint32(body[4:])
			h.Width, h.Height = int(min(w, 1<<31-1)), int(min(ht, 1<<31-1))
			depth, colour := body[8], body[9]
			h.Progressive = body[12] != 0
			each := int64(4)
			switch {
			case depth == 16:
				each = 8
			case colour == 0 || colour == 3:
				each = 1 // grey or palette; with transparency the decoder widens grey
			}
			if h.Progressive {
				each *= 2 // each pass is a picture of its own
			}
			if h.Pixels() <= MaxPixels {
				h.pixelBytes = h.Pixels() * (each + 3 + 3)
			} else {
				h.pixelBytes = MaxMemory + 1
			}
		case "acTL":
			if n >= 4 {
				h.Frames = int(min(binary.BigEndian.Uint32(body), 1<<31-1))
			}
		case "eXIf":
			if h.exif == nil {
				h.exif = body
			}
		case "iTXt":
			if rest, ok := bytes.CutPrefix(body, []byte("XML:com.adobe.xmp\x00\x00")); ok {
				h.addXMP(rest)
			}
		case "IEND":
			h.Ended = true
			return pos
		}
	}
	return pos
}

// readWebP walks the RIFF chunks (RFC 9649, section 2).
func (h *Header) readWebP(b []byte) (end int) {
	size := int(binary.LittleEndian.Uint32(b[4:])) + 8
	h.Ended = size <= len(b)
	stop := min(size, len(b))
	grow := func(w, ht int) {
		if int64(w)*int64(ht) > h.Pixels() {
			h.Width, h.Height = w, ht
		}
	}
	frames, each := 0, int64(2)
	for pos := 12; pos+8 <= stop; {
		n := int(binary.LittleEndian.Uint32(b[pos+4:]))
		kind := string(b[pos : pos+4])
		body := b[pos+8 : pos+8+min(n, stop-pos-8)]
		pos += 8 + n + n&1
		switch kind {
		case "VP8X":
			if len(body) >= 10 {
				u24 := func(p []byte) int { return int(p[0]) | int(p[1])<<8 | int(p[2])<<16 }
				grow(u24(body[4:])+1, u24(body[7:])+1)
				if body[0]&0x10 != 0 {
					each += 5 // alpha, and the picture flattened on white
				}
			}
		case "VP8 ":
			if len(body) >= 10 {
				grow(int(binary.LittleEndian.Uint16(body[6:])&0x3fff), int(binary.LittleEndian.Uint16(body[8:])&0x3fff))
			}
		case "VP8L":
			if len(body) >= 5 {
				v := binary.LittleEndian.Uint32(body[1:])
				grow(int(v&0x3fff)+1, int(v>>14&0x3fff)+1)
			}
			each = 4 + 4 + 3
		case "ANMF":
			frames++
		case "EXIF":
			h.exif = bytes.TrimPrefix(body, exifMark)
		case "XMP ":
			h.addXMP(body)
		}
	}
	if frames > 0 {
		h.Frames = frames
		h.unsupported = "a WebP animation"
	}
	if h.Pixels() <= MaxPixels {
		h.pixelBytes = h.Pixels() * each
	} else {
		h.pixelBytes = MaxMemory + 1
	}
	return stop
}
