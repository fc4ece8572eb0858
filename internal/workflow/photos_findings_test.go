package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/jpeg"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/photo"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage/blob"
)

const bottomPhotos = "connection:A1-bottom/couple/photos"

// twoConnections opens a job with a line of two connections.
func twoConnections(b *wt.Bench, job string) string {
	p := proceduretest.Plan()
	p.Lines, p.Connections = p.Lines[:1], p.Connections[:2]
	return b.JobWith(workflow.NewJob{ID: job, Title: "North mast, " + job, Plan: p})
}

// attach names a photo for a step and sends its bytes.
func attach(t testing.TB, b *wt.Bench, p *wt.Phone, job, climb, step string, data []byte) [32]byte {
	t.Helper()
	e := wt.Photo(climb, data)
	e.Step = step
	p.Now(job, e)
	if _, err := p.Upload(b.Any(), job, workflow.PurposePhoto, data, 1<<20); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	return sha256.Sum256(data)
}

// sayings are the sentences of a kind of exception.
func sayings(v *workflow.View, kind string) (out []string) {
	for _, x := range v.State.Exceptions {
		if x.Kind == kind {
			out = append(out, x.Sentence)
		}
	}
	return out
}

// The same picture for two connections is the classic fraud. The lead reads
// which connection and which job, not a digest.
func TestTheSamePictureTwice(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	p := crew.Climber
	pic := testpicture.JPEG(testpicture.Options{Family: 5, Seed: 5, Width: 1600, Height: 1200, Quality: 90})

	one := twoConnections(b, "j1")
	climb := crew.Climb(one)
	attach(t, b, p, one, climb, wt.PhotoStep, pic)
	if got := sayings(b.View(crew.Lead.ID, one), record.PhotoFinding); len(got) != 0 {
		t.Fatalf("one photo for one connection: %q; want no exception about it", got)
	}

	t.Run("the same bytes in the same job", func(t *testing.T) {
		e := wt.Photo(climb, pic)
		e.Step = bottomPhotos
		p.Now(one, e)
		b.Drain()
		got := sayings(b.View(crew.Lead.ID, one), record.PhotoFinding)
		if !slices.ContainsFunc(got, func(s string) bool {
			return strings.Contains(s, "A1 top (Mated with torque mark)") && strings.Contains(s, "A1 bottom (Mated with torque mark)")
		}) {
			t.Errorf("exceptions %q; want one that names A1 top and A1 bottom", got)
		}
	})

	two := twoConnections(b, "j2")
	climb2 := crew.Climb(two)
	t.Run("the same bytes in another job", func(t *testing.T) {
		d := attach(t, b, p, two, climb2, wt.PhotoStep, pic)
		v := b.View(crew.Lead.ID, two)
		f := findingOf(examinedPhoto(t, v, d), photo.SameBytes)
		if f == nil || !f.GetException() || f.GetTwinJob() != "jobs/j1" || !bytes.Equal(f.GetTwin(), d[:]) {
			t.Fatalf("finding %v; want an exception with the twin in jobs/j1", f)
		}
		for _, want := range []string{"A1 top", "North mast, j1"} {
			if !strings.Contains(f.GetSentence(), want) {
				t.Errorf("the finding says %q; want %q in it", f.GetSentence(), want)
			}
		}
		if strings.Contains(f.GetSentence(), hex.EncodeToString(d[:])) {
			t.Errorf("the finding says %q; want no whole digest in it", f.GetSentence())
		}
		if got := sayings(v, record.PhotoFinding); !slices.Contains(got, f.GetSentence()) && !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, f.GetSentence()) }) {
			t.Errorf("exceptions %q; want the finding among them", got)
		}
	})

	// Saved again, smaller: another digest, the same look.
	small := testpicture.JPEG(testpicture.Options{Family: 5, Seed: 5, Width: 1600, Height: 1200, Quality: 60})
	three := twoConnections(b, "j3")
	climb3 := crew.Climb(three)
	t.Run("saved again for another connection", func(t *testing.T) {
		first := testpicture.JPEG(testpicture.Options{Family: 9, Seed: 9, Width: 1600, Height: 1200, Quality: 90})
		again := testpicture.JPEG(testpicture.Options{Family: 9, Seed: 9, Width: 1600, Height: 1200, Quality: 55})
		attach(t, b, p, three, climb3, wt.PhotoStep, first)
		d := attach(t, b, p, three, climb3, bottomPhotos, again)
		f := findingOf(examinedPhoto(t, b.View(crew.Lead.ID, three), d), photo.LooksLike)
		if f == nil || !f.GetException() || !strings.Contains(f.GetSentence(), "A1 top") || !strings.Contains(f.GetSentence(), "this job") {
			t.Errorf("finding %v; want an exception that names A1 top in this job", f)
		}
	})
	t.Run("saved again for another job", func(t *testing.T) {
		d := attach(t, b, p, three, climb3, bottomPhotos, small)
		f := findingOf(examinedPhoto(t, b.View(crew.Lead.ID, three), d), photo.LooksLike)
		if f == nil || !strings.Contains(f.GetSentence(), "North mast, j") {
			t.Errorf("finding %v; want one that names the job", f)
		}
	})
	t.Run("taken again for the same connection is honest", func(t *testing.T) {
		four := twoConnections(b, "j4")
		climb4 := crew.Climb(four)
		opt := testpicture.Options{Family: 11, Seed: 11, Width: 1600, Height: 1200, Quality: 90}
		attach(t, b, p, four, climb4, wt.PhotoStep, testpicture.JPEG(opt))
		opt.Quality = 70
		d := attach(t, b, p, four, climb4, wt.PhotoStep, testpicture.JPEG(opt))
		if f := findingOf(examinedPhoto(t, b.View(crew.Lead.ID, four), d), photo.LooksLike); f != nil {
			t.Errorf("finding %v; want none", f)
		}
	})
	t.Run("looked for on demand", func(t *testing.T) {
		twins, err := b.Service().Twins(context.Background(), crew.Lead.ID, one, sha256.Sum256(pic))
		if err != nil {
			t.Fatal(err)
		}
		var jobs []string
		for _, w := range twins {
			jobs = append(jobs, w.Job)
		}
		slices.Sort(jobs)
		if jobs = slices.Compact(jobs); !slices.Equal(jobs, []string{"j2", "j3"}) {
			t.Errorf("twins in %v; want j2 and j3", jobs)
		}
	})
}

// A soft photo is an exception; a lead who takes it as it is with a reason has
// looked at it.
func TestSoftPhoto(t *testing.T) {
	b := embedded(t)
	crew, job := b.Crew(), b.Job("j1")
	climb := crew.Climb(job)
	soft := testpicture.JPEG(testpicture.Options{Family: 2, Seed: 2, Width: 1600, Height: 1200, Blur: 12, Quality: 90})
	d := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, soft)
	v := b.View(crew.Lead.ID, job)
	f := findingOf(examinedPhoto(t, v, d), photo.Soft)
	if f == nil || !f.GetException() || f.GetMeasured() >= f.GetThreshold() || f.GetSource() == "" {
		t.Fatalf("finding %v; want an exception with measure, threshold and source", f)
	}
	if got := stateOf(t, v, wt.PhotoStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("the step is %v; want it complete: a finding refuses no photo", got)
	}
	open := func() int {
		n := 0
		for _, x := range b.View(crew.Lead.ID, job).State.Exceptions {
			if x.Kind == record.PhotoFinding && strings.HasPrefix(x.Sentence, f.GetSentence()) && len(x.LookedAt) == 0 {
				n++
			}
		}
		return n
	}
	if n := open(); n != 1 {
		t.Fatalf("%d exceptions about it that nobody looked at; want 1", n)
	}
	accept := &recordv1.Entry{Kind: &recordv1.Entry_FindingAccepted{FindingAccepted: &recordv1.FindingAccepted{Digest: d[:], Codes: []string{f.GetCode()}, Reason: "the mark can be read"}}}
	if r := crew.Climber.Try(job, wt.Clone(accept)); r.Outcome != workflow.Refused {
		t.Errorf("a climber accepts it: %v; want it refused", r.Outcome)
	}
	id := crew.Lead.Now(job, accept).ID
	if n := open(); n != 0 {
		t.Errorf("after the lead accepted it: %d; want 0", n)
	}
	crew.Lead.Now(job, &recordv1.Entry{Kind: &recordv1.Entry_Withdrawn{Withdrawn: &recordv1.Withdrawn{Entry: id, Reason: "looked at the wrong one"}}})
	if n := open(); n != 1 {
		t.Errorf("after he took it back: %d; want 1", n)
	}
}

// Figures of the organisation's own take the place of the defaults, with their
// source, and the examination says so.
func TestPhotoThresholdsOfAnOrganisation(t *testing.T) {
	b := embedded(t)
	ctx, crew := context.Background(), b.Crew()
	job := b.Job("j1")
	climb := crew.Climb(job)
	set := func(ts ...workflow.PhotoThreshold) error {
		return b.Service().UpdateSettings(ctx, b.Office, workflow.Settings{PhotoThresholds: ts})
	}
	pic := func(seed uint64) []byte {
		return testpicture.JPEG(testpicture.Options{Family: seed, Seed: seed, Width: 1600, Height: 1200, Quality: 90})
	}
	examined := func(seed uint64) *recordv1.PhotoExamined {
		d := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, pic(seed))
		return examinedPhoto(t, b.View(crew.Lead.ID, job), d)
	}
	plain := examined(21)
	if f := findingOf(plain, photo.Soft); f != nil || plain.GetRules() != photo.RulesVersion {
		t.Fatalf("by default: %v, rules %q; want no softness and %q", f, plain.GetRules(), photo.RulesVersion)
	}
	contract := workflow.PhotoThreshold{Subject: string(photo.Connector), Name: "sharpness", Value: 50_000, Source: "contract C-7, clause 4"}
	general := workflow.PhotoThreshold{Name: "sharpness", Value: 1, Source: "this company's rule 3"}
	if err := set(contract, general); err != nil {
		t.Fatal(err)
	}
	// The step's subject is the mated connection.
	x := examined(22)
	f := findingOf(x, photo.Soft)
	if f == nil || f.GetThreshold() != 50_000 || !strings.Contains(f.GetSource(), "contract C-7, clause 4") || !strings.Contains(f.GetSource(), "this organisation") {
		t.Errorf("with the contract's figure: %v; want softness under 50,000 with its source", f)
	}
	if !strings.HasPrefix(x.GetRules(), photo.RulesVersion+" organisation-thresholds-") {
		t.Errorf("rules %q; want them to name the organisation's figures", x.GetRules())
	}
	if err := set(general); err != nil {
		t.Fatal(err)
	}
	y := examined(23)
	if f := findingOf(y, photo.Soft); f != nil || y.GetRules() == x.GetRules() || y.GetRules() == plain.GetRules() {
		t.Errorf("with the company's figure: %v, rules %q; want no softness and rules of their own", f, y.GetRules())
	}

	for _, tc := range []struct {
		name   string
		bad    workflow.PhotoThreshold
		reason string
	}{
		{"a figure that is not known", workflow.PhotoThreshold{Name: "beauty", Value: 1, Source: "s"}, "THRESHOLD_UNKNOWN"},
		{"a subject that is not known", workflow.PhotoThreshold{Subject: "cat", Name: "sharpness", Value: 1, Source: "s"}, "SETTING_INVALID"},
		{"no source", workflow.PhotoThreshold{Name: "sharpness", Value: 1, Source: " "}, "THRESHOLD_WITHOUT_SOURCE"},
		{"below nothing", workflow.PhotoThreshold{Name: "sharpness", Value: -1, Source: "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"over a hundred percent", workflow.PhotoThreshold{Name: "dark_share", Value: 101, Source: "s"}, "THRESHOLD_OUT_OF_RANGE"},
	} {
		wantReason(t, tc.name, set(tc.bad), tc.reason)
	}
	wantReason(t, "the same figure twice", set(general, general), "SETTING_INVALID")
	wantReason(t, "retention of 101 years", b.Service().UpdateSettings(ctx, b.Office, workflow.Settings{RetentionYears: 101}), "SETTING_INVALID")
	if _, now, err := b.Service().Organization(ctx, wt.Org); err != nil || len(now.PhotoThresholds) != 1 || now.PhotoThresholds[0] != general {
		t.Errorf("after refused settings: %+v, %v; want those before", now, err)
	}
}

// The Exif orientation turns the views, never the original.
func TestOrientationOnlyInViews(t *testing.T) {
	b := embedded(t)
	ctx, crew, job := context.Background(), b.Crew(), b.Job("j1")
	climb := crew.Climb(job)
	pic := testpicture.JPEG(testpicture.Options{Family: 3, Seed: 3, Width: 1600, Height: 1200, Quality: 85, Exif: &testpicture.Exif{Orientation: 6, Make: "Plain"}})
	d := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, pic)
	original, _ := kept(t, b.Service(), crew.Lead.ID, job, d, 0)
	if !bytes.Equal(original, pic) {
		t.Fatal("the original is not what was sent")
	}
	if x := examinedPhoto(t, b.View(crew.Lead.ID, job), d); x.GetWidth() != 1200 || x.GetHeight() != 1600 {
		t.Errorf("examined as %d × %d; want 1200 × 1600, upright", x.GetWidth(), x.GetHeight())
	}
	sizeOf := func(side int) image.Point {
		v, media := kept(t, b.Service(), crew.Lead.ID, job, d, side)
		c, err := jpeg.DecodeConfig(bytes.NewReader(v))
		if err != nil || media != "image/jpeg" {
			t.Fatalf("view of %d: %s, %v", side, media, err)
		}
		if bytes.Contains(v, []byte("Exif")) {
			t.Errorf("view of %d carries an Exif block; want none, it is upright", side)
		}
		return image.Pt(c.Width, c.Height)
	}
	for side, want := range map[int]image.Point{320: {240, 320}, 1280: {960, 1280}} {
		if got := sizeOf(side); got != want {
			t.Errorf("view of %d is %v; want %v", side, got, want)
		}
	}

	// Views are derived: deleted, they are made again, the same.
	for _, side := range []string{"320", "1280"} {
		key := blob.DerivedKey(wt.Org, "view-"+side, hex.EncodeToString(d[:])+".jpg")
		n := map[string]int{"320": 320, "1280": 1280}[side]
		was, _ := kept(t, b.Service(), crew.Lead.ID, job, d, n)
		if err := b.Service().Blobs.Delete(ctx, key); err != nil {
			t.Fatal(err)
		}
		if again, _ := kept(t, b.Service(), crew.Lead.ID, job, d, n); !bytes.Equal(again, was) {
			t.Errorf("view of %s made again has %d bytes; want the same %d", side, len(again), len(was))
		}
	}
}
