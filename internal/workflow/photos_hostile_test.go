package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"strings"
	"testing"

	"witnessmark/internal/access"
	"witnessmark/internal/photo"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// smallPicture is a readable picture that is quick to examine.
func smallPicture(seed uint64) []byte {
	return testpicture.JPEG(testpicture.Options{Family: seed, Seed: seed, Width: 640, Height: 480, Quality: 85})
}

// pngOf is a PNG whose header claims a size, with whatever chunks follow.
func pngOf(width, height uint32, chunks ...[]byte) []byte {
	chunk := func(kind string, body []byte) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
		b = append(append(b, kind...), body...)
		return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)
	out := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", append(head, 8, 2, 0, 0, 0))...)
	for _, c := range chunks {
		out = append(out, chunk("IDAT", c)...)
	}
	return append(out, chunk("IEND", nil)...)
}

// kept reads a file of a job back.
func kept(t testing.TB, s *workflow.Service, id access.Identity, job string, digest [32]byte, size int) ([]byte, string) {
	t.Helper()
	rc, media, _, err := s.File(context.Background(), id, job, digest, size)
	if err != nil {
		t.Fatalf("file %x of size %d: %v", digest[:4], size, err)
	}
	b, err := io.ReadAll(rc)
	if cerr := rc.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		t.Fatalf("file %x of size %d: %v", digest[:4], size, err)
	}
	return b, media
}

// examinedPhoto returns what the job's view says about a photo.
func examinedPhoto(t testing.TB, v *workflow.View, digest [32]byte) *recordv1.PhotoExamined {
	t.Helper()
	for _, p := range v.State.Photos {
		if p.Digest == digest {
			if !p.Received || p.Examined == nil {
				t.Fatalf("photo %x: received %v, examined %v; want both", digest[:4], p.Received, p.Examined != nil)
			}
			return p.Examined
		}
	}
	t.Fatalf("the view has no photo %x", digest[:4])
	return nil
}

func findingOf(x *recordv1.PhotoExamined, code photo.Code) *recordv1.Finding {
	for _, f := range x.GetFindings() {
		if f.GetCode() == string(code) {
			return f
		}
	}
	return nil
}

// Whatever the bytes are: what has the announced digest is kept as it came, the
// finding says what it is, the step stays open, and nothing stops.
func TestHostilePhotos(t *testing.T) {
	good := smallPicture(1)
	var buf bytes.Buffer
	gray := image.NewGray(image.Rect(0, 0, 300, 200))
	for i := range gray.Pix {
		gray.Pix[i] = byte(i * 7)
	}
	if err := png.Encode(&buf, gray); err != nil {
		t.Fatal(err)
	}
	badSum := bytes.Clone(buf.Bytes())
	badSum[bytes.Index(badSum, []byte("IDAT"))+9] ^= 0x40
	giant := bytes.Clone(good)
	frame := bytes.Index(giant, []byte{0xff, 0xc0})
	binary.BigEndian.PutUint32(giant[frame+5:], 0xffffffff)
	flat := bytes.Clone(good)
	binary.BigEndian.PutUint16(flat[frame+5:], 0)

	type hostile struct {
		name     string
		bytes    []byte
		readable bool
		code     photo.Code // one of the findings
		media    string
	}
	cases := []hostile{
		{"one byte", []byte{0}, false, photo.NotReadable, "application/octet-stream"},
		{"nothing but zero bytes", make([]byte, 4096), false, photo.NotReadable, "application/octet-stream"},
		{"text that says it is a photo", []byte("photo.jpg: this is no picture at all, only words"), false, photo.NotReadable, "application/octet-stream"},
		{"a page with a script", []byte("<!doctype html><script>x()</script>"), false, photo.NotReadable, "application/octet-stream"},
		{"an archive before a picture", append([]byte("PK\x03\x04............"), good...), false, photo.NotReadable, "application/octet-stream"},
		{"an archive after a picture", append(bytes.Clone(good), "PK\x03\x04............"...), true, photo.TrailingData, "image/jpeg"},
		{"a page after a picture", append(bytes.Clone(good), "<!doctype html><script>x()</script>"...), true, photo.TrailingData, "image/jpeg"},
		{"only a start marker", []byte{0xff, 0xd8, 0xff}, false, photo.NotReadable, "image/jpeg"},
		{"a JPEG that claims 4,295 megapixels", giant, false, photo.OverBounds, "image/jpeg"},
		{"a JPEG without rows", flat, false, photo.NotReadable, "image/jpeg"},
		{"a PNG with a wrong checksum", badSum, false, photo.NotReadable, "image/png"},
		{"a PNG of 60,000 by 60,000 and nothing in it", pngOf(60000, 60000), false, photo.OverBounds, "image/png"},
		{"a PNG of 4,000,000,000 by 4,000,000,000", pngOf(4e9, 4e9), false, photo.OverBounds, "image/png"},
		{"a PNG of 25 megapixels in a few bytes", pngOf(5000, 5000, []byte("x\x9c\x03\x00\x00\x00\x00\x01")), false, photo.NotExamined, "image/png"},
		{"a HEIC", append([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00heicmif1"), make([]byte, 2000)...), false, photo.NotExamined, "image/heic"},
		{"an Exif block of rubbish", testpicture.Segment(good, 0xe1, append([]byte("Exif\x00\x00II*\x00\xff\xff\xff\xff"), bytes.Repeat([]byte{0xfe}, 300)...)), true, photo.ExifTimeAbsent, "image/jpeg"},
		{"an Exif block that points at itself", testpicture.Segment(good, 0xe1, []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x87\x69\x00\x04\x00\x00\x00\x01\x00\x00\x00\x08\x00\x00\x00\x08")), true, photo.ExifTimeAbsent, "image/jpeg"},
	}
	for k := 1; k < 16; k++ {
		cases = append(cases, hostile{fmt.Sprintf("a photo cut at %d/16", k), good[:len(good)*k/16], false, photo.NotReadable, "image/jpeg"})
	}

	b := embedded(t)
	crew, job := b.Crew(), b.Job("j1")
	climb, p := crew.Climb(job), crew.Climber
	for _, tc := range cases {
		p.Say(job, wt.Photo(climb, tc.bytes))
	}
	p.Accepted(job)
	for _, tc := range cases {
		u, err := p.Upload(b.Service(), job, workflow.PurposePhoto, tc.bytes, 1<<20)
		if err != nil || u.State != "stored" {
			t.Fatalf("%s: upload is %q, %v; want it stored", tc.name, u.State, err)
		}
	}
	b.Drain()
	v := b.View(p.ID, job)
	for _, tc := range cases {
		d := sha256.Sum256(tc.bytes)
		got, media := kept(t, b.Service(), p.ID, job, d, 0)
		if !bytes.Equal(got, tc.bytes) || media != tc.media {
			t.Errorf("%s: %d bytes of %s came back; want the %d bytes that were sent, %s", tc.name, len(got), media, len(tc.bytes), tc.media)
		}
		x := examinedPhoto(t, v, d)
		f := findingOf(x, tc.code)
		if x.GetReadable() != tc.readable || f == nil {
			t.Errorf("%s: readable %v, findings %v; want %v with %s", tc.name, x.GetReadable(), x.GetFindings(), tc.readable, tc.code)
			continue
		}
		if f.GetSentence() == "" || strings.Contains(f.GetSentence(), "{") {
			t.Errorf("%s: the finding says %q; want a whole sentence", tc.name, f.GetSentence())
		}
		if _, _, _, err := b.Service().File(context.Background(), p.ID, job, d, 320); tc.readable != (err == nil) {
			t.Errorf("%s: a view of 320: %v; want one: %v", tc.name, err, tc.readable)
		}
	}

	// None of the unreadable ones completes the step by itself.
	alone := b.Job("j2")
	climb2 := crew.Climb(alone)
	for _, tc := range cases {
		if !tc.readable {
			p.Say(alone, wt.Photo(climb2, tc.bytes))
		}
	}
	p.Accepted(alone)
	for _, tc := range cases {
		if !tc.readable {
			if _, err := p.Upload(b.Service(), alone, workflow.PurposePhoto, tc.bytes, 1<<20); err != nil {
				t.Fatalf("%s: %v", tc.name, err)
			}
		}
	}
	b.Drain()
	if got := stateOf(t, b.View(p.ID, alone), wt.PhotoStep); got == recordv1.StepState_COMPLETE {
		t.Errorf("photo step with unreadable photos only: %v; want it open", got)
	}
	p.Now(alone, wt.Photo(climb2, good))
	if _, err := p.Upload(b.Service(), alone, workflow.PurposePhoto, good, 1<<20); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	if got := stateOf(t, b.View(p.ID, alone), wt.PhotoStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("photo step after a readable photo: %v; want it complete", got)
	}

	// What says that it has no bytes, or more than the bound, is refused with the bound.
	for _, size := range []int64{0, -1, workflow.MaxPhoto + 1} {
		_, err := b.Service().BeginUpload(context.Background(), p.ID, job, workflow.PurposePhoto, "", size, [32]byte{1})
		wantReason(t, fmt.Sprintf("an upload of %d bytes", size), err, "PHOTO_TOO_LARGE")
	}
}
