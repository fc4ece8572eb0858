package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"image/png"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/endface/render"
	"witnessmark/internal/fibre"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// endFaceJob opens a job whose photo step wants a fibre's end face.
func endFaceJob(t testing.TB, b *wt.Bench, job string) string {
	t.Helper()
	doc := bytes.Replace(proceduretest.Document(), []byte("id: minimal"), []byte("id: faces"), 1)
	doc = bytes.Replace(doc, []byte("{id: mated, title: Mated with torque mark}"), []byte("{id: end-face, title: End face, end_face: true}"), 1)
	if _, err := b.Service().PublishProcedure(context.Background(), b.Office, doc); err != nil {
		t.Fatal(err)
	}
	p := wt.Plan()
	p.Connections[0].Polish = "UPC"
	return b.JobWith(workflow.NewJob{ID: job, Procedure: "faces", Plan: p})
}

// face draws an end face that never existed.
func face(t testing.TB, change func(*render.Face)) []byte {
	t.Helper()
	f := render.Face{
		Seed: 7, Width: 800, Height: 800, PixelsPerMicrometer: 3, AxisX: 400, AxisY: 400,
		Cladding: 125, CoreRadius: 4.4, RingWidth: 2, CoreLevel: 0.54, CladdingLevel: 0.5, RingLevel: 0.15, FerruleLevel: 0.6,
		Blur: 0.8, Noise: 0.006,
	}
	if change != nil {
		change(&f)
	}
	img, _ := f.Draw()
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func endFacePhoto(climb string, data []byte) *recordv1.Entry {
	e := wt.Photo(climb, data)
	e.GetPhotoAttached().Subject = "end-face"
	return e
}

func TestEndFaces(t *testing.T) {
	b := embedded(t)
	ctx, crew, job := context.Background(), b.Crew(), endFaceJob(t, b, "j1")
	climb, p := crew.Climb(job), crew.Climber
	good := face(t, nil)
	for _, tc := range []struct {
		name    string
		data    []byte
		want    recordv1.EndFaceGrade_Outcome
		overlay bool
	}{
		{"without a mark", good, recordv1.EndFaceGrade_PASS, true},
		// IEC 61300-3-35 allows no defect in the core zone of a UPC face.
		{"a large defect in the core zone", face(t, func(f *render.Face) {
			f.Seed, f.Marks = 8, []render.Mark{{Kind: fibre.Defect, X: 0, Y: 3, Size: 6, Contrast: -0.6}}
		}), recordv1.EndFaceGrade_FAIL, true},
		{"no fibre in the picture", face(t, func(f *render.Face) { f.Seed, f.WithoutFibre = 9, true }), recordv1.EndFaceGrade_NOT_GRADABLE, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p.Now(job, endFacePhoto(climb, tc.data))
			if _, err := p.Upload(b.Service(), job, workflow.PurposePhoto, tc.data, 1<<20); err != nil {
				t.Fatal(err)
			}
			b.Drain()
			d := sha256.Sum256(tc.data)
			v := b.View(crew.Lead.ID, job)
			g := examinedPhoto(t, v, d).GetEndFace()
			if g.GetOutcome() != tc.want || g.GetSentence() == "" || g.GetRuleSet() != string(fibre.SMUPC2015) {
				t.Errorf("graded %v; want %v by %s", g, tc.want, fibre.SMUPC2015)
			}
			said := slices.ContainsFunc(v.State.Exceptions, func(x record.Exception) bool {
				return x.Kind == record.EndFaceFails && strings.HasPrefix(x.Sentence, g.GetSentence())
			})
			if want := tc.want != recordv1.EndFaceGrade_PASS; said != want {
				t.Errorf("an exception about it: %v; want %v", said, want)
			}
			_, _, _, err := b.Service().File(ctx, crew.Lead.ID, job, d, 1)
			if !tc.overlay {
				wantReason(t, "the overlay", err, "VIEW_NOT_FOUND")
				return
			}
			picture, media := kept(t, b.Service(), crew.Lead.ID, job, d, 1)
			img, err := png.Decode(bytes.NewReader(picture))
			if err != nil || media != "image/png" || img.Bounds().Dx() < 800 {
				t.Errorf("overlay: %s, %v; want a PNG at least as wide as the picture", media, err)
			}
			if original, _ := kept(t, b.Service(), crew.Lead.ID, job, d, 0); !bytes.Equal(original, tc.data) {
				t.Error("the original is not what was sent")
			}
		})
	}
}

// The bytes may come before the entry that says what they show: the picture is
// graded then.
func TestEndFaceNamedLater(t *testing.T) {
	b := embedded(t)
	crew, job := b.Crew(), endFaceJob(t, b, "j1")
	climb, p := crew.Climb(job), crew.Climber
	data := face(t, func(f *render.Face) { f.Seed = 31 })
	d := sha256.Sum256(data)
	if _, err := p.Upload(b.Service(), job, workflow.PurposePhoto, data, 1<<20); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	var before *recordv1.PhotoExamined
	for e, err := range linesOf(t, b, job) {
		if err != nil {
			t.Fatal(err)
		}
		if x := e.GetPhotoExamined(); x != nil {
			before = x
		}
	}
	if !before.GetReadable() || before.GetEndFace() != nil {
		t.Fatalf("before its entry: %v; want it examined and not graded", before)
	}
	p.Now(job, endFacePhoto(climb, data))
	b.Drain()
	v := b.View(crew.Lead.ID, job)
	if g := examinedPhoto(t, v, d).GetEndFace(); g.GetOutcome() != recordv1.EndFaceGrade_PASS {
		t.Errorf("after its entry: %v; want it graded a pass", g)
	}
	if got := stateOf(t, v, wt.PhotoStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("the step is %v; want it complete", got)
	}
	if picture, _ := kept(t, b.Service(), crew.Lead.ID, job, d, 1); len(picture) == 0 {
		t.Error("no overlay")
	}
}
