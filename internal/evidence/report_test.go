package evidence_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/bag"
	"witnessmark/internal/evidence"
	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func TestReport(t *testing.T) {
	j := evidencetest.New(t)
	c := j.Work()
	thumb := []byte("a small picture")
	j.Thumbnail(evidencetest.Picture(1), thumb)
	c.One.Enter(&recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: `<script>alert("x")</script>`}}})
	j.SignOff(c.Lead)
	archive := j.Archive()
	page := string(file(t, archive, "data/derived/report.html"))

	if r := verify(t, archive, pinned(j)); !r.Verified() {
		t.Fatalf("failed: %v", r.Failure)
	}
	text := strings.ReplaceAll(html.UnescapeString(page), "\u00a0", " ")
	for _, want := range []string{
		evidencetest.Title, evidencetest.JobName, "Ridge", "Ana Uno, Ben Dos",
		"approved with exceptions", "Lia Nueve", "1caaeffcb363ee41", // who signed, what it means, with which key
		"+01:00", "07:30:01 UTC", // the site's time with its offset, and UTC
		"not later", "never arrived", "attested by the server", // what it does not prove
		"Out of limits before it was within.", "The mark is not across the joint.",
		"Connection A1 top", "out of limits", "within limits", "24.4 to 30 N·m", "common practice", "Working",
		"HOLD</span> Briefing: ", "Briefing: condition met as entered", // what began and what ended it, by one name
		working.DefersWeather,
		"not enforced by this store",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	for _, bad := range []string{"<script", "http://", "https://", "javascript:", "@import", "<iframe", "<no value>", "%!", "ZgotmplZ"} {
		if strings.Contains(page, bad) {
			t.Errorf("the report holds %q", bad)
		}
	}
	// Whatever it points to lies in the package.
	b, err := bag.Open(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	links := regexp.MustCompile(`(?:src|href)="([^"#][^"]*)"`).FindAllStringSubmatch(page, -1)
	for _, l := range links {
		if path := "data/" + strings.TrimPrefix(l[1], "../"); !strings.HasPrefix(l[1], "../") || !b.Has(path) {
			t.Errorf("the report points to %q, which the package does not have", l[1])
		}
	}
	if len(links) != 8 { // four photos: a link and a picture each
		t.Errorf("%d links; want 8", len(links))
	}
	small := fmt.Sprintf("derived/thumbnail/%x.jpg", sha256.Sum256(evidencetest.Picture(1)))
	if !bytes.Equal(file(t, archive, "data/"+small), thumb) || !strings.Contains(page, `src="../`+small+`"`) {
		t.Errorf("the thumbnail %s is not shown", small)
	}
	// Every sign that is used is drawn.
	for _, m := range regexp.MustCompile(`<use href="#([a-z]+)"`).FindAllStringSubmatch(page, -1) {
		if !strings.Contains(page, `<symbol id="`+m[1]+`"`) {
			t.Errorf("the sign %q is not drawn", m[1])
		}
	}
}

// A picture that browsers do not show is shown by the copy that came with it.
func TestReportShowsTheCopy(t *testing.T) {
	j := evidencetest.New(t)
	c := j.Work()
	original, shown := []byte("a picture of another kind"), evidencetest.Picture(40)
	from, d := sha256.Sum256(original), sha256.Sum256(shown)
	step := "connection:A1-top/couple/photos"
	c.One.Photo(step, original, "mated", false)
	j.ReceiveAs(original, "image/heic")
	c.One.Enter(&recordv1.Entry{Step: step, Climb: j.ClimbID, Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{
		Digest: d[:], Size: int64(len(shown)), Subject: "mated", DerivedFrom: from[:], Derivation: "shown as JPEG"}}})
	j.Receive(shown)
	j.EndUnfinished(c.Lead, "Only for the picture.")
	archive := j.Archive()
	page := string(file(t, archive, "data/derived/report.html"))
	want := fmt.Sprintf(`<a href="../photos/%x.heic"><img src="../photos/%x.jpg"`, from, d)
	if !strings.Contains(page, want) {
		t.Errorf("the report does not hold %s", want)
	}
	if r := verify(t, archive, pinned(j)); !r.Verified() {
		t.Errorf("failed: %v", r.Failure)
	}
}

// The report of an open job serves the lead's desk: links come from the caller.
func TestReportOfAnOpenJob(t *testing.T) {
	j := evidencetest.New(t)
	j.Work()
	st := j.Fold().State(evidencetest.Start, j.Outside())
	var out bytes.Buffer
	d := evidence.NewReport(evidence.ReportInput{Job: j.Fold(), State: st, Organization: evidencetest.Organization})
	err := evidence.Report(&out, d, func(d [32]byte) evidence.Picture {
		return evidence.Picture{Original: fmt.Sprintf("/photos/%x", d), Small: fmt.Sprintf("/photos/%x?small", d)}
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Not signed off", "finished, not signed off", "/photos/", "<b>nobody</b>"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the report does not say %q", want)
		}
	}
}

func TestChains(t *testing.T) {
	note := func(text string) *recordv1.Entry {
		return &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: text}}}
	}
	has := func(r *evidence.Result, reason string) bool {
		return slices.ContainsFunc(r.Notes, func(n evidence.Note) bool { return n.Reason == reason })
	}
	t.Run("an entry that never arrived is listed", func(t *testing.T) {
		j := evidencetest.New(t)
		c := j.Work()
		c.One.Lose(note("lost"))
		c.One.Enter(note("after it"))
		j.SignOff(c.Lead)
		if r := verify(t, j.Archive(), pinned(j)); !r.Verified() || !has(r, "CHAIN_GAP") {
			t.Errorf("failure %v, notes %v; want none, and the gap", r.Failure, r.Notes)
		}
	})
	t.Run("a refused entry explains its gap", func(t *testing.T) {
		j := evidencetest.New(t)
		c := j.Work()
		c.One.Refuse(note("to no step"), "STEP_UNKNOWN", "no step of this job")
		c.One.Enter(note("after it"))
		j.SignOff(c.Lead)
		if r := verify(t, j.Archive(), pinned(j)); !r.Verified() || has(r, "CHAIN_GAP") {
			t.Errorf("failure %v, notes %v; want none, and no gap", r.Failure, r.Notes)
		}
	})
}
