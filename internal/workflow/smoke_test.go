package workflow_test

import (
	"context"
	"crypto/rand"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/sqlite"

	"github.com/google/uuid"
)

type keys map[string]*seal.LogKey

func (k keys) Signer(_ context.Context, origin string) (*seal.LogKey, []seal.LogPublicKey, error) {
	if k[origin] == nil {
		key, err := seal.GenerateLogKey(rand.Reader, origin)
		if err != nil {
			return nil, nil, err
		}
		k[origin] = key
	}
	return k[origin], []seal.LogPublicKey{k[origin].Public()}, nil
}

func TestSmoke(t *testing.T) {
	ctx := context.Background()
	st, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "w.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	bl, err := disk.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	s := workflow.New(st, bl, keys{}, "log.invalid/witnessmark")
	code, err := s.Bootstrap(ctx, "demo", "Demo")
	if err != nil || code == "" {
		t.Fatal(code, err)
	}
	en, err := s.Enroll(ctx, code, "desk", nil, "test")
	if err != nil {
		t.Fatal(err)
	}
	id, err := s.Authenticate(ctx, en.Token)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.CreateSite(ctx, id, workflow.Site{ID: "ridge", Title: "Ridge", Zone: "Europe/Madrid", Latitude: 41, Longitude: 2}, ""); err != nil {
		t.Fatal(err)
	}
	for _, p := range []access.Person{{ID: "c1", Title: "C1", Roles: []access.Role{access.Climber}}, {ID: "lead", Title: "Lead", Roles: []access.Role{access.Lead}}} {
		if _, err := s.CreatePerson(ctx, id, p, ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.PublishProcedure(ctx, id, proceduretest.Document()); err != nil {
		t.Fatal(err)
	}
	j, err := s.CreateJob(ctx, id, workflow.NewJob{ID: "j1", Title: "J1", Site: "ridge", Procedure: "minimal", Plan: proceduretest.Plan(), People: []string{"c1", "lead"}}, "")
	if err != nil {
		t.Fatal(err)
	}
	c1 := access.Identity{Org: "demo", Person: "c1", Roles: []access.Role{access.Climber}, Session: "x"}
	res, head, err := s.Submit(ctx, c1, j.ID, []workflow.Submission{{Entry: &recordv1.Entry{Id: uuid.Must(uuid.NewV7()).String(), Job: "jobs/j1", Author: "people/c1", DeviceTime: timestamppb.New(time.Now()), Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: "hello"}}}}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v %+v", res, head)
	v, err := s.View(ctx, c1, j.ID)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", v.Blockers)
}
