package record_test

import (
	"slices"
	"testing"
	"time"

	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func findingAccepted(n byte, codes ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_FindingAccepted{FindingAccepted: &recordv1.FindingAccepted{Digest: picture(n), Codes: codes, Reason: "the mark can be read"}}}
}

// A lead who takes a photo's finding as it is, with a reason, has looked at it:
// at that finding of that photo, as long as he does not take it back and no new
// line causes it again.
func TestFindingAccepted(t *testing.T) {
	soft := &recordv1.Finding{Code: "PHOTO_SOFT", Sentence: "The photo is soft.", Exception: true}
	dark := &recordv1.Finding{Code: "PHOTO_DARK", Sentence: "The photo is dark.", Exception: true}
	for _, tc := range []struct {
		name string
		do   func(s *story)
		soft []string // who looked at the first photo's softness
		dark []string // and at its darkness
	}{
		{"nobody", func(*story) {}, nil, nil},
		{"one finding", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
		}, []string{lea}, nil},
		{"both at once", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT", "PHOTO_DARK"))
		}, []string{lea}, []string{lea}},
		{"by two leads", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
			s.say(by{person: mia, device: "devices/phone-m", at: 41 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
		}, []string{lea, mia}, nil},
		{"of another photo", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(2, "PHOTO_SOFT"))
		}, nil, nil},
		{"a finding that is not there", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_EDITED"))
		}, nil, nil},
		{"by someone who is no lead", func(s *story) {
			s.say(by{person: ben, device: phoneB, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
		}, nil, nil},
		{"taken back", func(s *story) {
			l := s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT", "PHOTO_DARK"))
			s.say(by{person: lea, device: phoneL, at: 41 * time.Minute}, "", withdrawn(l.Entry.GetId()))
		}, nil, nil},
		{"taken back and said again", func(s *story) {
			l := s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
			s.say(by{person: lea, device: phoneL, at: 41 * time.Minute}, "", withdrawn(l.Entry.GetId()))
			s.say(by{person: lea, device: phoneL, at: 42 * time.Minute}, "", findingAccepted(1, "PHOTO_DARK"))
		}, nil, []string{lea}},
		{"a new cause reopens it", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 40 * time.Minute}, "", findingAccepted(1, "PHOTO_SOFT"))
			s.say(by{person: ana, device: phoneA, at: 41 * time.Minute, climb: climbID}, photoStep, photo(1))
		}, nil, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			s.crewReady(ana, ben)
			for i, n := range []byte{1, 2} {
				s.say(by{person: ana, device: phoneA, at: time.Duration(30+i) * time.Minute, climb: climbID}, photoStep, photo(n))
				s.server(time.Duration(30+i)*time.Minute, photoReceived(n))
				s.server(time.Duration(30+i)*time.Minute, photoExamined(n, true, soft, dark))
			}
			tc.do(s)
			xs := s.state(50 * time.Minute).Exceptions
			for _, want := range []struct {
				sentence string
				by       []string
			}{{soft.Sentence, tc.soft}, {dark.Sentence, tc.dark}} {
				i := slices.IndexFunc(xs, func(x record.Exception) bool {
					return x.Kind == record.PhotoFinding && len(x.Lines) > 0 && x.Lines[0] <= firstPhotoLine(s) && x.Sentence[:len(want.sentence)] == want.sentence
				})
				if i < 0 {
					t.Fatalf("no exception %q of the first photo in\n%s", want.sentence, describe(xs))
				}
				if !slices.Equal(xs[i].LookedAt, want.by) {
					t.Errorf("%q: looked at by %v; want %v", want.sentence, xs[i].LookedAt, want.by)
				}
			}
		})
	}
}

// firstPhotoLine is the number of the line that names the first photo.
func firstPhotoLine(s *story) int64 {
	for _, l := range s.job.Lines() {
		if l.Entry.GetPhotoAttached() != nil {
			return l.Seq
		}
	}
	s.Fatal("no photo")
	return 0
}
