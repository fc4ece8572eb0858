package photo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"io"
	"slices"
	"testing"
)

// bitWriter writes the bits of a JPEG scan (most significant first, 0xFF stuffed)
// or of a lossless WebP (least significant first).
type bitWriter struct {
	out   []byte
	acc   uint64
	n     uint
	webp  bool
	stuff bool
}

func (w *bitWriter) put(v uint32, n uint) {
	for i := range n {
		bit := uint64(v >> (n - 1 - i) & 1)
		if w.webp {
			bit = uint64(v >> i & 1)
			w.acc |= bit << w.n
		} else {
			w.acc |= bit << (7 - w.n)
		}
		if w.n++; w.n == 8 {
			w.flush()
		}
	}
}

func (w *bitWriter) flush() {
	if w.n == 0 {
		return
	}
	b := byte(w.acc)
	if !w.webp && w.n < 8 {
		b |= 1<<(8-w.n) - 1 // pad with ones
	}
	w.out = append(w.out, b)
	if w.stuff && b == 0xff {
		w.out = append(w.out, 0)
	}
	w.acc, w.n = 0, 0
}

// progressiveJPEG writes a grey progressive JPEG of one scan that holds the mean
// of each 8 × 8 block: a real picture, in blocks. Table K.3 of ITU-T T.81 would
// do; a table of twelve codes of four bits is simpler and as lawful.
func progressiveJPEG(w, h int, mean func(bx, by int) int, scans int) []byte {
	u16 := func(v int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(v)) }
	seg := func(marker byte, body ...byte) []byte {
		return append(append([]byte{0xff, marker}, u16(len(body)+2)...), body...)
	}
	out := []byte{0xff, 0xd8}
	out = append(out, seg(0xdb, append([]byte{0}, bytes.Repeat([]byte{8}, 64)...)...)...) // a step of the mean is 1
	frame := append([]byte{8}, u16(h)...)
	frame = append(frame, u16(w)...)
	out = append(out, seg(0xc2, append(frame, 1, 1, 0x11, 0)...)...)
	codes := make([]byte, 17)
	codes[4] = 12
	for i := range 12 {
		codes = append(codes, byte(i))
	}
	out = append(out, seg(0xc4, codes...)...)
	for scan := range scans {
		// The first scan has the values; each later one refines a bit by nothing.
		if scan == 0 {
			out = append(out, seg(0xda, 1, 1, 0, 0, 0, 0)...)
		} else {
			out = append(out, seg(0xda, 1, 1, 0, 1, 63, 0)...)
		}
		bw := &bitWriter{stuff: true}
		before := 0
		for by := range (h + 7) / 8 {
			for bx := range (w + 7) / 8 {
				if scan > 0 {
					continue
				}
				v := mean(bx, by) - 128
				d := v - before
				before = v
				size := uint(0)
				for a := max(d, -d); a > 0; a >>= 1 {
					size++
				}
				bw.put(uint32(size), 4)
				if d < 0 {
					d += 1<<size - 1
				}
				bw.put(uint32(d), size)
			}
		}
		bw.flush()
		out = append(out, bw.out...)
	}
	return append(out, 0xff, 0xd9)
}

// losslessWebP writes a WebP of one colour (RFC 9649, section 3): no bit for any
// pixel, so that a few bytes claim any size. A grey picture when value is given:
// eight bits for each pixel.
func losslessWebP(w, h int, value func(x, y int) byte) []byte {
	bw := &bitWriter{webp: true}
	bw.put(uint32(w-1), 14)
	bw.put(uint32(h-1), 14)
	bw.put(0, 1) // no alpha
	bw.put(0, 3)
	bw.put(1, 1) // one transform:
	bw.put(2, 2) // green is taken from red and blue, so that grey needs one number
	bw.put(0, 1) // no further transform
	bw.put(0, 1) // no colour cache
	bw.put(0, 1) // one group of codes
	simple := func(v uint32) { bw.put(1, 1); bw.put(0, 1); bw.put(1, 1); bw.put(v, 8) }
	if value == nil {
		simple(120)
	} else {
		// Code lengths: 8 for the 256 greens, 0 for the 24 lengths; the code of
		// the lengths has two words, 0 and 8, of one bit each.
		bw.put(0, 1)
		const used = 12 // order 17 18 0 1 2 3 4 5 16 6 7 8
		bw.put(used-4, 4)
		for i := range used {
			one := uint32(0)
			if i == 2 || i == 11 {
				one = 1
			}
			bw.put(one, 3)
		}
		bw.put(0, 1) // lengths of the whole alphabet
		for i := range 280 {
			one := uint32(0)
			if i < 256 {
				one = 1
			}
			bw.put(one, 1)
		}
	}
	for range 4 { // red, blue, alpha, distance
		simple(0)
	}
	if value != nil {
		for y := range h {
			for x := range w {
				v := value(x, y)
				for i := range 8 { // codes are read from their most significant bit
					bw.put(uint32(v>>(7-i)&1), 1)
				}
			}
		}
	}
	bw.flush()
	body := append([]byte{0x2f}, bw.out...)
	return riff(chunk("VP8L", body))
}

func chunk(kind string, body []byte) []byte {
	out := binary.LittleEndian.AppendUint32([]byte(kind), uint32(len(body)))
	out = append(out, body...)
	if len(body)%2 == 1 {
		out = append(out, 0)
	}
	return out
}

func riff(chunks ...[]byte) []byte {
	body := append([]byte("WEBP"), bytes.Join(chunks, nil)...)
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

// pngChunk is one chunk with its checksum.
func pngChunk(kind string, body []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	out = append(append(out, kind...), body...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

func pngHead(w, h uint32, depth, colour byte) []byte {
	body := binary.BigEndian.AppendUint32(nil, w)
	body = binary.BigEndian.AppendUint32(body, h)
	return append([]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", append(body, depth, colour, 0, 0, 0))...)
}

func encodeInto(w io.Writer, img image.Image) error { return png.Encode(w, img) }

func encodePNG(tb testing.TB, img image.Image) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := encodeInto(&b, img); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// heif writes the boxes of a HEIC without any picture in it.
func heif(brand string) []byte {
	box := func(kind string, body []byte) []byte {
		return append(binary.BigEndian.AppendUint32(nil, uint32(8+len(body))), append([]byte(kind), body...)...)
	}
	return append(box("ftyp", []byte(brand+"\x00\x00\x00\x00mif1")), box("mdat", make([]byte, 64))...)
}

// heifWithExif writes the boxes of a HEIC that hold an Exif block and the size of
// a picture (ISO/IEC 14496-12 section 8.11, ISO/IEC 23008-12 annex A), and no
// picture.
func heifWithExif(tiff []byte) []byte {
	u16 := func(v int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(v)) }
	u32 := func(v int) []byte { return binary.BigEndian.AppendUint32(nil, uint32(v)) }
	box := func(kind string, parts ...[]byte) []byte {
		body := slices.Concat(parts...)
		return slices.Concat(u32(8+len(body)), []byte(kind), body)
	}
	full := u32(0)                      // version and flags
	item := slices.Concat(u32(0), tiff) // four bytes say how far the block is: none
	meta := func(at int) []byte {
		return box("meta", full,
			box("pitm", full, u16(1)),
			box("iinf", full, u16(2),
				box("infe", u32(2<<24), u16(1), u16(0), []byte("hvc1\x00")),
				box("infe", u32(2<<24), u16(2), u16(0), []byte("Exif\x00"))),
			box("iprp", box("ipco", box("ispe", full, u32(4032), u32(3024))),
				box("ipma", full, u32(1), u16(1), []byte{1, 1})),
			box("iloc", full, []byte{0x44, 0}, u16(1), u16(2), u16(0), u16(1), u32(at), u32(len(item))))
	}
	head := box("ftyp", []byte("heic\x00\x00\x00\x00mif1"))
	return slices.Concat(head, meta(len(head)+len(meta(0))+8), box("mdat", item))
}

// screen is a picture of a screen: even areas with sharp edges.
func screen(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.NRGBA{240, 240, 245, 255}
			if y < h/12 || y/40%3 == 1 && x > w/8 && x < w/2 && x/7%2 == 0 {
				c = color.NRGBA{30, 60, 120, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}
