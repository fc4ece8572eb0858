package storagetest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

func testOrganizations(t *testing.T, s storage.Store) {
	o := storage.Organization{ID: org, Title: "North", Settings: []byte("{}"), CreateTime: noon}
	must(t, "CreateOrganization", s.CreateOrganization(ctx, o))
	must(t, "CreateOrganization", s.CreateOrganization(ctx, storage.Organization{ID: "Alpha", CreateTime: noon}))
	must(t, "CreateOrganization", s.CreateOrganization(ctx, storage.Organization{ID: "éast", CreateTime: noon}))
	wantErr(t, "CreateOrganization again", s.CreateOrganization(ctx, o), errs.Exists, "ORGANIZATION_EXISTS")

	o.Version = 1
	got, err := s.GetOrganization(ctx, org)
	must(t, "GetOrganization", err)
	same(t, "GetOrganization", got, o)
	_, err = s.GetOrganization(ctx, "nobody")
	wantErr(t, "GetOrganization of nobody", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")

	ids, err := s.ListOrganizations(ctx)
	must(t, "ListOrganizations", err)
	same(t, "ListOrganizations, by bytes", ids, []string{"Alpha", org, "éast"})

	o.Settings, o.Version = []byte(`{"a":1}`), 2
	got, err = s.UpdateSettings(ctx, org, o.Settings, 1)
	must(t, "UpdateSettings", err)
	same(t, "UpdateSettings", got, o)
	_, err = s.UpdateSettings(ctx, org, nil, 1)
	wantErr(t, "UpdateSettings at an old version", err, errs.Stale, "VERSION_MOVED")
	_, err = s.UpdateSettings(ctx, "nobody", nil, 1)
	wantErr(t, "UpdateSettings of nobody", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")
	got, err = s.GetOrganization(ctx, org)
	must(t, "GetOrganization", err)
	same(t, "settings after a refused update", got, o)
}

func testDocuments(t *testing.T, s storage.Store) {
	seed(t, s, org)
	doc := func(id, owner string) storage.Document {
		return storage.Document{Kind: storage.KindDevice, ID: id, Owner: owner, Body: []byte("body of " + id), CreateTime: noon, UpdateTime: noon}
	}
	d := doc("d2", "abe")
	want := d
	want.Version = 1
	made, err := s.CreateDocument(ctx, org, d, "request 1")
	must(t, "CreateDocument", err)
	same(t, "CreateDocument", made, want)

	other := doc("d9", "zoe")
	made, err = s.CreateDocument(ctx, org, other, "request 1")
	must(t, "CreateDocument with a known request id", err)
	same(t, "CreateDocument with a known request id", made, want)
	_, err = s.GetDocument(ctx, org, storage.KindDevice, "d9")
	wantErr(t, "what a repeated request would have made", err, errs.NotFound, "DOCUMENT_NOT_FOUND")
	site := storage.Document{Kind: storage.KindSite, ID: "d9", Body: []byte("a site")}
	made, err = s.CreateDocument(ctx, org, site, "request 1")
	must(t, "the same request id for another kind", err)
	same(t, "the kind made", made.Kind, storage.KindSite)

	_, err = s.CreateDocument(ctx, org, d, "request 2")
	wantErr(t, "CreateDocument again", err, errs.Exists, "DOCUMENT_EXISTS")
	made, err = s.CreateDocument(ctx, org, doc("d1", "zoe"), "request 2")
	must(t, "the request id of a refused call", err)
	same(t, "what it makes", made.ID, "d1")
	_, err = s.CreateDocument(ctx, "nobody", d, "")
	wantErr(t, "CreateDocument in no organisation", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")
	_, err = s.CreateDocument(ctx, org, doc("d3", "abe"), "")
	must(t, "CreateDocument", err)

	ids := func(ds []storage.Document) []string {
		var ids []string
		for _, d := range ds {
			ids = append(ids, d.ID)
		}
		return ids
	}
	for _, tc := range []struct {
		name, owner, after string
		limit              int
		want               []string
	}{
		{"all", "", "", 10, []string{"d1", "d2", "d3"}},
		{"a page", "", "", 2, []string{"d1", "d2"}},
		{"the next page", "", "d2", 2, []string{"d3"}},
		{"of an owner", "abe", "", 10, []string{"d2", "d3"}},
		{"of an owner, next page", "abe", "d2", 10, []string{"d3"}},
		{"of nobody", "nobody", "", 10, nil},
		{"no limit is none", "", "", 0, nil},
		{"a negative limit is none", "", "", -5, nil},
	} {
		ds, err := s.ListDocuments(ctx, org, storage.KindDevice, tc.owner, tc.after, tc.limit)
		must(t, tc.name, err)
		same(t, "ListDocuments "+tc.name, ids(ds), tc.want)
	}
	ds, err := s.GetDocuments(ctx, org, storage.KindDevice, []string{"d3", "none", "d1", "d3"})
	must(t, "GetDocuments", err)
	got := ids(ds)
	slices.Sort(got)
	same(t, "GetDocuments", got, []string{"d1", "d3"})
	many := []string{"d2"}
	for i := range 2500 {
		many = append(many, fmt.Sprint("none ", i))
	}
	ds, err = s.GetDocuments(ctx, org, storage.KindDevice, append(many, "d1"))
	if err != nil || len(ds) != 2 {
		t.Errorf("GetDocuments of 2,502 ids = %d documents, %v; want 2", len(ds), err)
	}
	ds, err = s.GetDocuments(ctx, org, storage.KindDevice, nil)
	if err != nil || len(ds) != 0 {
		t.Errorf("GetDocuments of none = %v, %v", ds, err)
	}

	makeJob(t, s, org, "j")
	d.Body, d.Owner, d.UpdateTime = []byte("new body"), "zoe", noon.Add(time.Minute)
	item := storage.OutboxItem{ID: "o1", Payload: []byte("calibration changed"), CreateTime: noon}
	want = d
	want.Version = 2
	made, err = s.UpdateDocument(ctx, org, d, 1, item)
	must(t, "UpdateDocument", err)
	same(t, "UpdateDocument", made, want)
	_, err = s.UpdateDocument(ctx, org, d, 1, storage.OutboxItem{ID: "o2", Job: "j"})
	wantErr(t, "UpdateDocument at an old version", err, errs.Stale, "VERSION_MOVED")
	_, err = s.UpdateDocument(ctx, org, d, 2, storage.OutboxItem{ID: "o3", Job: "no job"})
	wantErr(t, "UpdateDocument with a line for no job", err, errs.NotFound, "JOB_NOT_FOUND")
	_, err = s.UpdateDocument(ctx, org, doc("none", ""), 0)
	wantErr(t, "UpdateDocument of none", err, errs.NotFound, "DOCUMENT_NOT_FOUND")
	made, err = s.UpdateDocument(ctx, org, d, 0)
	must(t, "UpdateDocument at any version", err)
	same(t, "version after two updates", made.Version, int64(3))
	out, err := s.TakeOutbox(ctx, noon, time.Minute, 10)
	must(t, "TakeOutbox", err)
	same(t, "outbox after updates", out, map[string][]storage.OutboxItem{org: {item}})
}

func testSessions(t *testing.T, s storage.Store) {
	seed(t, s, org, "south")
	v := storage.Session{TokenHash: sum("t1"), ID: "s1", Org: org, Person: "abe", Device: "d1", CreateTime: noon, ExpireTime: noon.Add(time.Hour)}
	must(t, "PutSession", s.PutSession(ctx, v))
	got, err := s.SessionByToken(ctx, sum("t1"))
	must(t, "SessionByToken", err)
	same(t, "SessionByToken", got, v)
	_, err = s.SessionByToken(ctx, sum("unknown"))
	wantErr(t, "SessionByToken of an unknown one", err, errs.NotFound, "SESSION_NOT_FOUND")
	wantErr(t, "PutSession again", s.PutSession(ctx, v), errs.Exists, "SESSION_EXISTS")
	wantErr(t, "PutSession with a taken id", s.PutSession(ctx, storage.Session{TokenHash: sum("x"), ID: "s1", Org: org}), errs.Exists, "SESSION_EXISTS")
	wantErr(t, "PutSession with a token taken elsewhere", s.PutSession(ctx, storage.Session{TokenHash: sum("t1"), ID: "s9", Org: "south"}), errs.Exists, "SESSION_EXISTS")
	wantErr(t, "PutSession in no organisation", s.PutSession(ctx, storage.Session{TokenHash: sum("y"), ID: "s1", Org: "nobody"}), errs.NotFound, "ORGANIZATION_NOT_FOUND")

	for _, v := range []storage.Session{
		{TokenHash: sum("t2"), ID: "s2", Org: org, Person: "abe", Device: "d2"},
		{TokenHash: sum("t3"), ID: "s3", Org: org, ShareLink: "l1"},
		{TokenHash: sum("t4"), ID: "s4", Org: org, Person: "zoe", Device: "d1"},
		{TokenHash: sum("t5"), ID: "s1", Org: "south", Person: "abe", Device: "d1"},
	} {
		must(t, "PutSession", s.PutSession(ctx, v))
	}
	at := noon.Add(time.Minute)
	for _, tc := range []struct {
		name                     string
		id, device, person, link string
		want                     int64
	}{
		{"by nothing", "", "", "", "", 0},
		{"by device and person", "", "d1", "abe", "", 1},
		{"again", "", "d1", "abe", "", 0},
		{"by person", "", "", "abe", "", 1},
		{"by share link", "", "", "", "l1", 1},
		{"by id", "s4", "", "", "", 1},
		{"by an unknown id", "s99", "", "", "", 0},
	} {
		n, err := s.RevokeSessions(ctx, org, tc.id, tc.device, tc.person, tc.link, at)
		if err != nil || n != tc.want {
			t.Errorf("RevokeSessions %s = %d, %v; want %d", tc.name, n, err, tc.want)
		}
	}
	got, err = s.SessionByToken(ctx, sum("t1"))
	must(t, "SessionByToken of a revoked one", err)
	same(t, "revoke time", got.RevokeTime, at)
	got, err = s.SessionByToken(ctx, sum("t5"))
	must(t, "SessionByToken", err)
	same(t, "another organisation's session", got.RevokeTime, time.Time{})
}

func testCodes(t *testing.T, s storage.Store) {
	seed(t, s, org)
	c := storage.Code{Hash: sum("123456"), Org: org, Person: "abe", ExpireTime: noon.Add(time.Hour)}
	must(t, "PutCode", s.PutCode(ctx, c))
	wantErr(t, "PutCode again", s.PutCode(ctx, c), errs.Exists, "CODE_EXISTS")
	wantErr(t, "PutCode in no organisation", s.PutCode(ctx, storage.Code{Hash: sum("x"), Org: "nobody"}), errs.NotFound, "ORGANIZATION_NOT_FOUND")
	_, err := s.UseCode(ctx, sum("1"), noon)
	wantErr(t, "UseCode unknown", err, errs.NotFound, "CODE_NOT_FOUND")
	_, err = s.UseCode(ctx, c.Hash, c.ExpireTime)
	wantErr(t, "UseCode at its expiry", err, errs.NotFound, "CODE_NOT_FOUND")
	_, err = s.PeekCode(ctx, sum("1"), noon)
	wantErr(t, "PeekCode unknown", err, errs.NotFound, "CODE_NOT_FOUND")
	_, err = s.PeekCode(ctx, c.Hash, c.ExpireTime)
	wantErr(t, "PeekCode at its expiry", err, errs.NotFound, "CODE_NOT_FOUND")
	for range 2 { // it stays unused
		peeked, err := s.PeekCode(ctx, c.Hash, noon)
		must(t, "PeekCode", err)
		same(t, "PeekCode", peeked, c)
	}
	got, err := s.UseCode(ctx, c.Hash, noon)
	must(t, "UseCode", err)
	want := c
	want.UseTime = noon
	same(t, "UseCode", got, want)
	_, err = s.UseCode(ctx, c.Hash, noon)
	wantErr(t, "UseCode twice", err, errs.NotFound, "CODE_NOT_FOUND")
	wantErr(t, "PutCode of a used one", s.PutCode(ctx, c), errs.Exists, "CODE_EXISTS")
}

func testKeys(t *testing.T, s storage.Store) {
	seed(t, s, org, "south")
	k := storage.Key{Org: org, KeyID: "k1", Device: "d1", Person: "abe", SPKI: []byte{1, 2, 3}, CreateTime: noon}
	k2 := storage.Key{Org: org, KeyID: "k2", Device: "d1", Person: "abe", SPKI: []byte{4}, CreateTime: noon.Add(time.Hour)}
	must(t, "PutKey", s.PutKey(ctx, k))
	must(t, "PutKey", s.PutKey(ctx, k2))
	must(t, "PutKey", s.PutKey(ctx, storage.Key{Org: org, KeyID: "k3", Device: "d2"}))
	wantErr(t, "PutKey again", s.PutKey(ctx, k), errs.Exists, "KEY_EXISTS")
	must(t, "the same key id in another organisation", s.PutKey(ctx, storage.Key{Org: "south", KeyID: "k1", Device: "d1"}))
	wantErr(t, "PutKey in no organisation", s.PutKey(ctx, storage.Key{Org: "nobody", KeyID: "k1"}), errs.NotFound, "ORGANIZATION_NOT_FOUND")
	got, err := s.KeyByID(ctx, org, "k1")
	must(t, "KeyByID", err)
	same(t, "KeyByID", got, k)
	_, err = s.KeyByID(ctx, org, "k9")
	wantErr(t, "KeyByID unknown", err, errs.NotFound, "KEY_NOT_FOUND")
	ks, err := s.KeysOfDevice(ctx, org, "d1")
	must(t, "KeysOfDevice", err)
	same(t, "KeysOfDevice, newest first", ks, []storage.Key{k2, k})
	ks, err = s.Keys(ctx, org, []string{"k2", "k9", "k1"})
	must(t, "Keys", err)
	slices.SortFunc(ks, func(a, b storage.Key) int { return strings.Compare(a.KeyID, b.KeyID) })
	same(t, "Keys", ks, []storage.Key{k, k2})
	n, err := s.RevokeKeys(ctx, org, "d1", noon)
	if err != nil || n != 2 {
		t.Errorf("RevokeKeys = %d, %v; want 2", n, err)
	}
	n, err = s.RevokeKeys(ctx, org, "d1", noon.Add(time.Hour))
	if err != nil || n != 0 {
		t.Errorf("RevokeKeys again = %d, %v; want 0", n, err)
	}
	got, err = s.KeyByID(ctx, org, "k1")
	must(t, "KeyByID of a revoked one", err)
	same(t, "revoke time", got.RevokeTime, noon)
	got, err = s.KeyByID(ctx, "south", "k1")
	must(t, "KeyByID elsewhere", err)
	same(t, "revoke time elsewhere", got.RevokeTime, time.Time{})
}

func testAttempts(t *testing.T, s storage.Store) {
	count := func(key string, at time.Time, want int64) {
		t.Helper()
		n, err := s.CountAttempt(ctx, key, time.Minute, at)
		if err != nil || n != want {
			t.Errorf("CountAttempt(%q, %v) = %d, %v; want %d", key, at, n, err, want)
		}
	}
	count("code:north:abe", noon, 1)
	count("code:north:abe", noon.Add(59*time.Second), 2)
	count("code:north:zoe", noon, 1)
	count("code:north:abe", noon.Add(time.Minute), 1) // a new window
	count("code:north:abe", noon.Add(90*time.Second), 2)
	must(t, "ClearAttempts", s.ClearAttempts(ctx, "code:north:abe"))
	must(t, "ClearAttempts of none", s.ClearAttempts(ctx, "code:north:abe"))
	count("code:north:abe", noon.Add(90*time.Second), 1)
	count("code:north:zoe", noon, 2)
	forget := func(before time.Time, want int64) {
		t.Helper()
		if n, err := s.ForgetAttempts(ctx, before); err != nil || n != want {
			t.Errorf("ForgetAttempts(%v) = %d, %v; want %d", before, n, err, want)
		}
	}
	forget(noon, 0)
	forget(noon.Add(time.Second), 1) // zoe's; abe's window began later
	count("code:north:zoe", noon, 1)
	count("code:north:abe", noon.Add(90*time.Second), 2)
}

func testProcedures(t *testing.T, s storage.Store) {
	must(t, "CreateOrganization", s.CreateOrganization(ctx, storage.Organization{ID: org}))
	a1, a2, b1 := procedure("a", "1", 0), procedure("a", "2", 2), procedure("b", "1", 1)
	for _, p := range []storage.Procedure{a2, a1, b1} {
		got, err := s.PutProcedure(ctx, org, p)
		must(t, "PutProcedure", err)
		same(t, "PutProcedure", got, p)
	}
	again := a1
	again.Title, again.CreateTime = "Another title", noon.Add(99*time.Hour)
	got, err := s.PutProcedure(ctx, org, again)
	must(t, "PutProcedure again", err)
	same(t, "PutProcedure again", got, a1)
	_, err = s.PutProcedure(ctx, "nobody", a1)
	wantErr(t, "PutProcedure in no organisation", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")

	got, err = s.GetProcedure(ctx, org, "a", a1.Digest)
	must(t, "GetProcedure", err)
	same(t, "GetProcedure", got, a1)
	got, err = s.GetProcedure(ctx, org, "a", [32]byte{})
	must(t, "GetProcedure, newest", err)
	same(t, "GetProcedure, newest", got, a2)
	_, err = s.GetProcedure(ctx, org, "a", b1.Digest)
	wantErr(t, "GetProcedure of another's digest", err, errs.NotFound, "PROCEDURE_NOT_FOUND")
	_, err = s.GetProcedure(ctx, org, "c", [32]byte{})
	wantErr(t, "GetProcedure unknown", err, errs.NotFound, "PROCEDURE_NOT_FOUND")

	a1.Document, a2.Document, b1.Document = nil, nil, nil
	for _, tc := range []struct {
		name, id      string
		offset, limit int
		want          []storage.Procedure
	}{
		{"all, newest first", "", 0, 10, []storage.Procedure{a2, b1, a1}},
		{"of one id", "a", 0, 10, []storage.Procedure{a2, a1}},
		{"a page", "", 1, 1, []storage.Procedure{b1}},
		{"behind the end", "", 5, 10, nil},
	} {
		ps, err := s.ListProcedures(ctx, org, tc.id, tc.offset, tc.limit)
		must(t, tc.name, err)
		same(t, "ListProcedures "+tc.name, ps, tc.want)
	}
}

func testCustody(t *testing.T, s storage.Store) {
	seed(t, s, org, "south")
	var all []storage.CustodyLine
	for i := range 5 {
		c := storage.CustodyLine{Time: noon.Add(time.Duration(i) * time.Second), Who: []string{"ann", "ben"}[i%2], Action: "read",
			Job: []string{"j1", "j2", ""}[i%3], Subject: "photo", Detail: []byte(`{"n":1}`)}
		must(t, "AddCustody", s.AddCustody(ctx, org, c))
		c.Seq = int64(i) + 1
		all = append([]storage.CustodyLine{c}, all...)
	}
	must(t, "AddCustody", s.AddCustody(ctx, "south", storage.CustodyLine{Who: "ann", Time: noon}))
	wantErr(t, "AddCustody in no organisation", s.AddCustody(ctx, "nobody", storage.CustodyLine{}), errs.NotFound, "ORGANIZATION_NOT_FOUND")
	pick := func(keep func(storage.CustodyLine) bool) []storage.CustodyLine {
		return slices.DeleteFunc(slices.Clone(all), func(c storage.CustodyLine) bool { return !keep(c) })
	}
	for _, tc := range []struct {
		name     string
		who, job string
		before   int64
		limit    int
		want     []storage.CustodyLine
	}{
		{"all, newest first", "", "", 0, 10, all},
		{"a page", "", "", 0, 2, all[:2]},
		{"the next page", "", "", 4, 2, all[2:4]},
		{"of a person", "ann", "", 0, 10, pick(func(c storage.CustodyLine) bool { return c.Who == "ann" })},
		{"of a job", "", "j2", 0, 10, pick(func(c storage.CustodyLine) bool { return c.Job == "j2" })},
		{"of a person and a job", "ben", "j1", 0, 10, pick(func(c storage.CustodyLine) bool { return c.Who == "ben" && c.Job == "j1" })},
	} {
		cs, err := s.ListCustody(ctx, org, tc.who, tc.job, tc.before, tc.limit)
		must(t, tc.name, err)
		same(t, "ListCustody "+tc.name, cs, tc.want)
	}
	cs, err := s.ListCustody(ctx, "south", "", "", 0, 10)
	must(t, "ListCustody", err)
	if len(cs) != 1 || cs[0].Seq != 1 {
		t.Errorf("custody of another organisation = %+v; want one line with seq 1", cs)
	}
}

// testOtherOrganization fills one organisation and asks for all of it in the
// name of another.
func testOtherOrganization(t *testing.T, s storage.Store) {
	Fill(t, s, org)
	must(t, "CreateOrganization", s.CreateOrganization(ctx, storage.Organization{ID: "south"}))
	for what, n := range Visible(t, s, "south") {
		if n != 0 {
			t.Errorf("%s: another organisation sees %d", what, n)
		}
	}
	for what, n := range Visible(t, s, org) {
		if n == 0 {
			t.Errorf("%s: nothing was filled in; the test tests nothing", what)
		}
	}
	// The same ids belong to whoever asks.
	_, err := s.PutProcedure(ctx, "south", procedure("p1", "1", 0))
	must(t, "PutProcedure", err)
	makeJob(t, s, "south", "j1")
	_, err = s.Append(ctx, "south", "j1", step("j1", 0, 2))
	must(t, "the same entry ids in another organisation", err)
	checkLog(t, s, "south", 0)
}

// Fill puts at least one row into every table of an organisation.
func Fill(tb testing.TB, s storage.Store, o string) {
	tb.Helper()
	seed(tb, s, o)
	_, err := s.CreateDocument(ctx, o, storage.Document{Kind: storage.KindPerson, ID: "abe", Body: []byte("x")}, "r "+o)
	must(tb, "CreateDocument", err)
	must(tb, "PutSession", s.PutSession(ctx, storage.Session{TokenHash: sum("token of " + o), ID: "s1", Org: o, Person: "abe"}))
	must(tb, "PutCode", s.PutCode(ctx, storage.Code{Hash: sum("code of " + o), Org: o, ExpireTime: noon.Add(time.Hour)}))
	must(tb, "PutKey", s.PutKey(ctx, storage.Key{Org: o, KeyID: "k1", Device: "d1"}))
	_, err = s.CountAttempt(ctx, "code:"+o, time.Hour, noon)
	must(tb, "CountAttempt", err)
	makeJob(tb, s, o, "j1")
	a := step("j1", 0, 2)
	a.Refused = []storage.Refused{{Digest: sum("bad"), Payload: []byte("bad"), Device: "d1", ReceiveTime: noon}}
	a.Examine = []storage.ExamineItem{{ID: "e1", Job: "j1", Digest: sum("photo"), Purpose: "photo"}}
	a.Outbox = []storage.OutboxItem{{ID: "o1", Job: "j1", Payload: []byte("line"), CreateTime: noon}}
	_, err = s.Append(ctx, o, "j1", a)
	must(tb, "Append", err)
	must(tb, "ReportUnsent", s.ReportUnsent(ctx, o, "j1", storage.Unsent{Device: "d1", Count: 3, Time: noon}))
	_, err = s.CreateUpload(ctx, o, storage.Upload{ID: "u1", Job: "j1", Device: "d1", Purpose: "photo", Size: 9, Digest: sum("photo"), ExpireTime: noon}, 9)
	must(tb, "CreateUpload", err)
	_, err = s.PutBlob(ctx, o, storage.Blob{Job: "j1", Digest: sum("photo"), Purpose: "photo", Size: 9})
	must(tb, "PutBlob", err)
	must(tb, "PutPhotoHash", s.PutPhotoHash(ctx, o, storage.PhotoHash{Job: "j1", Digest: sum("photo"), Time: noon}))
	must(tb, "AddCustody", s.AddCustody(ctx, o, storage.CustodyLine{Who: "abe", Time: noon}))
	l := lockOf("j1", 2, logAppend(tb, s, o, "leaf"))
	l.Retain = []storage.RetainItem{{ID: "r1", Job: "j1", Digest: sum("photo")}}
	_, err = s.Lock(ctx, o, "j1", l)
	must(tb, "Lock", err)
}

// Visible counts what the reads of one organisation return.
func Visible(tb testing.TB, s storage.Store, o string) map[string]int {
	tb.Helper()
	seen := map[string]int{}
	count := func(what string, n int, err error) {
		tb.Helper()
		if err != nil && errs.KindOf(err) != errs.NotFound && errs.KindOf(err) != errs.Corrupt {
			tb.Fatalf("%s: %v", what, err)
		}
		seen[what] += n
	}
	one := func(err error) int {
		if err != nil {
			return 0
		}
		return 1
	}
	_, err := s.GetDocument(ctx, o, storage.KindPerson, "abe")
	count("document", one(err), err)
	docs, err := s.ListDocuments(ctx, o, storage.KindPerson, "", "", 9)
	count("documents", len(docs), err)
	_, err = s.KeyByID(ctx, o, "k1")
	count("key", one(err), err)
	keys, err := s.KeysOfDevice(ctx, o, "d1")
	count("keys", len(keys), err)
	procedures, err := s.ListProcedures(ctx, o, "", 0, 9)
	count("procedures", len(procedures), err)
	_, err = s.GetJob(ctx, o, "j1")
	count("job", one(err), err)
	jobs, err := s.ListJobs(ctx, o, storage.JobFilter{}, time.Time{}, "", 9)
	count("jobs", len(jobs), err)
	ls, err := s.Lines(ctx, o, "j1", storage.ListRecord, 0, 9, 0)
	count("lines", len(ls), err)
	refs, err := s.FindEntries(ctx, o, []string{"j1-1"})
	count("entries", len(refs), err)
	counter, _, err := s.DeviceHead(ctx, o, "j1", "d1")
	count("device head", int(counter), err)
	unsent, err := s.Unsent(ctx, o, "j1")
	count("unsent", len(unsent), err)
	refused, err := s.ListRefused(ctx, o, "j1", 0, 9)
	count("refused", len(refused), err)
	leaves, err := s.LogLeaves(ctx, o, "", -1, 9)
	count("leaves", len(leaves), err)
	nodes, err := s.LogNodes(ctx, o, []storage.Node{{}})
	count("nodes", len(nodes), err)
	_, err = s.GetUpload(ctx, o, "u1")
	count("upload", one(err), err)
	blobs, err := s.ListBlobs(ctx, o, "", [32]byte{}, 9)
	count("blobs", len(blobs), err)
	holders, err := s.BlobJobs(ctx, o, sum("photo"))
	count("blob's jobs", len(holders), err)
	custody, err := s.ListCustody(ctx, o, "", "", 0, 9)
	count("custody", len(custody), err)
	hashes, err := s.PhotoHashes(ctx, o, "", time.Time{}, 9)
	count("photo hashes", len(hashes), err)
	return seen
}
