package storagetest

import (
	"context"
	"time"

	"witnessmark/storage"
)

// Faulty wraps s so that fault decides about each call before it is made. op is
// the method's name. Without an error the call is made. With one, the caller
// gets that error; apply says whether the call is made all the same and only its
// answer is lost, as when a connection breaks after the commit.
func Faulty(s storage.Store, fault func(op string) (apply bool, err error)) storage.Store {
	return &wrapper{pick: func() storage.Store { return s }, fault: fault}
}

// wrapper sends each call to the store that pick names, unless fault says no.
type wrapper struct {
	pick  func() storage.Store
	fault func(op string) (apply bool, err error)
}

var _ storage.Store = (*wrapper)(nil)

func (w *wrapper) do(op string, call func(storage.Store) error) error {
	apply, err := w.fault(op)
	if err == nil {
		return call(w.pick())
	}
	if apply {
		if real := call(w.pick()); real != nil {
			return real // it did not land after all; this is what the caller would have heard
		}
	}
	return err
}

func get[T any](w *wrapper, op string, call func(storage.Store) (T, error)) (T, error) {
	var v T
	var real error
	err := w.do(op, func(to storage.Store) error {
		v, real = call(to)
		return real
	})
	if err != nil && real == nil {
		return *new(T), err // the answer is lost
	}
	return v, err // an answer that comes with an error is passed on with it
}

func (w *wrapper) Ping(ctx context.Context) error {
	return w.do("Ping", func(to storage.Store) error { return to.Ping(ctx) })
}

func (w *wrapper) SchemaVersion(ctx context.Context) (a int64, b int64, err error) {
	err = w.do("SchemaVersion", func(to storage.Store) error {
		a, b, err = to.SchemaVersion(ctx)
		return err
	})
	if err != nil {
		return *new(int64), *new(int64), err
	}
	return a, b, nil
}

func (w *wrapper) CreateOrganization(ctx context.Context, o storage.Organization) error {
	return w.do("CreateOrganization", func(to storage.Store) error { return to.CreateOrganization(ctx, o) })
}

func (w *wrapper) GetOrganization(ctx context.Context, org string) (storage.Organization, error) {
	return get(w, "GetOrganization", func(to storage.Store) (storage.Organization, error) { return to.GetOrganization(ctx, org) })
}

func (w *wrapper) ListOrganizations(ctx context.Context) ([]string, error) {
	return get(w, "ListOrganizations", func(to storage.Store) ([]string, error) { return to.ListOrganizations(ctx) })
}

func (w *wrapper) UpdateSettings(ctx context.Context, org string, settings []byte, expect int64) (storage.Organization, error) {
	return get(w, "UpdateSettings", func(to storage.Store) (storage.Organization, error) {
		return to.UpdateSettings(ctx, org, settings, expect)
	})
}

func (w *wrapper) CreateDocument(ctx context.Context, org string, d storage.Document, requestID string) (storage.Document, error) {
	return get(w, "CreateDocument", func(to storage.Store) (storage.Document, error) { return to.CreateDocument(ctx, org, d, requestID) })
}

func (w *wrapper) GetDocument(ctx context.Context, org string, kind storage.Kind, id string) (storage.Document, error) {
	return get(w, "GetDocument", func(to storage.Store) (storage.Document, error) { return to.GetDocument(ctx, org, kind, id) })
}

func (w *wrapper) GetDocuments(ctx context.Context, org string, kind storage.Kind, ids []string) ([]storage.Document, error) {
	return get(w, "GetDocuments", func(to storage.Store) ([]storage.Document, error) { return to.GetDocuments(ctx, org, kind, ids) })
}

func (w *wrapper) ListDocuments(ctx context.Context, org string, kind storage.Kind, owner string, after string, limit int) ([]storage.Document, error) {
	return get(w, "ListDocuments", func(to storage.Store) ([]storage.Document, error) {
		return to.ListDocuments(ctx, org, kind, owner, after, limit)
	})
}

func (w *wrapper) UpdateDocument(ctx context.Context, org string, d storage.Document, expect int64, enqueue ...storage.OutboxItem) (storage.Document, error) {
	return get(w, "UpdateDocument", func(to storage.Store) (storage.Document, error) {
		return to.UpdateDocument(ctx, org, d, expect, enqueue...)
	})
}

func (w *wrapper) PutSession(ctx context.Context, s storage.Session) error {
	return w.do("PutSession", func(to storage.Store) error { return to.PutSession(ctx, s) })
}

func (w *wrapper) SessionByToken(ctx context.Context, tokenHash [32]byte) (storage.Session, error) {
	return get(w, "SessionByToken", func(to storage.Store) (storage.Session, error) { return to.SessionByToken(ctx, tokenHash) })
}

func (w *wrapper) RevokeSessions(ctx context.Context, org string, id string, device string, person string, shareLink string, at time.Time) (int64, error) {
	return get(w, "RevokeSessions", func(to storage.Store) (int64, error) {
		return to.RevokeSessions(ctx, org, id, device, person, shareLink, at)
	})
}

func (w *wrapper) PutCode(ctx context.Context, c storage.Code) error {
	return w.do("PutCode", func(to storage.Store) error { return to.PutCode(ctx, c) })
}

func (w *wrapper) UseCode(ctx context.Context, hash [32]byte, now time.Time) (storage.Code, error) {
	return get(w, "UseCode", func(to storage.Store) (storage.Code, error) { return to.UseCode(ctx, hash, now) })
}

func (w *wrapper) PutKey(ctx context.Context, k storage.Key) error {
	return w.do("PutKey", func(to storage.Store) error { return to.PutKey(ctx, k) })
}

func (w *wrapper) KeyByID(ctx context.Context, org string, keyID string) (storage.Key, error) {
	return get(w, "KeyByID", func(to storage.Store) (storage.Key, error) { return to.KeyByID(ctx, org, keyID) })
}

func (w *wrapper) KeysOfDevice(ctx context.Context, org string, device string) ([]storage.Key, error) {
	return get(w, "KeysOfDevice", func(to storage.Store) ([]storage.Key, error) { return to.KeysOfDevice(ctx, org, device) })
}

func (w *wrapper) Keys(ctx context.Context, org string, keyIDs []string) ([]storage.Key, error) {
	return get(w, "Keys", func(to storage.Store) ([]storage.Key, error) { return to.Keys(ctx, org, keyIDs) })
}

func (w *wrapper) RevokeKeys(ctx context.Context, org string, device string, at time.Time) (int64, error) {
	return get(w, "RevokeKeys", func(to storage.Store) (int64, error) { return to.RevokeKeys(ctx, org, device, at) })
}

func (w *wrapper) CountAttempt(ctx context.Context, key string, window time.Duration, now time.Time) (int64, error) {
	return get(w, "CountAttempt", func(to storage.Store) (int64, error) { return to.CountAttempt(ctx, key, window, now) })
}

func (w *wrapper) ClearAttempts(ctx context.Context, key string) error {
	return w.do("ClearAttempts", func(to storage.Store) error { return to.ClearAttempts(ctx, key) })
}

func (w *wrapper) PutProcedure(ctx context.Context, org string, p storage.Procedure) (storage.Procedure, error) {
	return get(w, "PutProcedure", func(to storage.Store) (storage.Procedure, error) { return to.PutProcedure(ctx, org, p) })
}

func (w *wrapper) GetProcedure(ctx context.Context, org string, id string, digest [32]byte) (storage.Procedure, error) {
	return get(w, "GetProcedure", func(to storage.Store) (storage.Procedure, error) { return to.GetProcedure(ctx, org, id, digest) })
}

func (w *wrapper) ListProcedures(ctx context.Context, org string, id string, offset int, limit int) ([]storage.Procedure, error) {
	return get(w, "ListProcedures", func(to storage.Store) ([]storage.Procedure, error) {
		return to.ListProcedures(ctx, org, id, offset, limit)
	})
}

func (w *wrapper) CreateJob(ctx context.Context, org string, j storage.Job, lines []storage.NewLine, requestID string) (storage.Job, error) {
	return get(w, "CreateJob", func(to storage.Store) (storage.Job, error) { return to.CreateJob(ctx, org, j, lines, requestID) })
}

func (w *wrapper) GetJob(ctx context.Context, org string, id string) (storage.Job, error) {
	return get(w, "GetJob", func(to storage.Store) (storage.Job, error) { return to.GetJob(ctx, org, id) })
}

func (w *wrapper) ListJobs(ctx context.Context, org string, f storage.JobFilter, beforeTime time.Time, beforeID string, limit int) ([]storage.Job, error) {
	return get(w, "ListJobs", func(to storage.Store) ([]storage.Job, error) {
		return to.ListJobs(ctx, org, f, beforeTime, beforeID, limit)
	})
}

func (w *wrapper) AssignJob(ctx context.Context, org string, id string, people []string, day string) (storage.Job, error) {
	return get(w, "AssignJob", func(to storage.Store) (storage.Job, error) { return to.AssignJob(ctx, org, id, people, day) })
}

func (w *wrapper) Append(ctx context.Context, org string, job string, a storage.Append) (storage.Job, error) {
	return get(w, "Append", func(to storage.Store) (storage.Job, error) { return to.Append(ctx, org, job, a) })
}

func (w *wrapper) AppendAddenda(ctx context.Context, org string, job string, a storage.AppendAddenda) (storage.Job, error) {
	return get(w, "AppendAddenda", func(to storage.Store) (storage.Job, error) { return to.AppendAddenda(ctx, org, job, a) })
}

func (w *wrapper) Lock(ctx context.Context, org string, job string, l storage.Lock) (storage.Job, error) {
	return get(w, "Lock", func(to storage.Store) (storage.Job, error) { return to.Lock(ctx, org, job, l) })
}

func (w *wrapper) SealAddenda(ctx context.Context, org string, job string, count int64, l storage.LogAppend) (storage.Job, error) {
	return get(w, "SealAddenda", func(to storage.Store) (storage.Job, error) { return to.SealAddenda(ctx, org, job, count, l) })
}

func (w *wrapper) KeepRefused(ctx context.Context, org string, job string, rs []storage.Refused) error {
	return w.do("KeepRefused", func(to storage.Store) error { return to.KeepRefused(ctx, org, job, rs) })
}

func (w *wrapper) Lines(ctx context.Context, org string, job string, list storage.List, after int64, limit int, maxBytes int64) ([]storage.Line, error) {
	return get(w, "Lines", func(to storage.Store) ([]storage.Line, error) {
		return to.Lines(ctx, org, job, list, after, limit, maxBytes)
	})
}

func (w *wrapper) FindEntries(ctx context.Context, org string, ids []string) (map[string]storage.EntryRef, error) {
	return get(w, "FindEntries", func(to storage.Store) (map[string]storage.EntryRef, error) { return to.FindEntries(ctx, org, ids) })
}

func (w *wrapper) DeviceHead(ctx context.Context, org string, job string, device string) (a int64, b [32]byte, err error) {
	err = w.do("DeviceHead", func(to storage.Store) error {
		a, b, err = to.DeviceHead(ctx, org, job, device)
		return err
	})
	if err != nil {
		return *new(int64), *new([32]byte), err
	}
	return a, b, nil
}

func (w *wrapper) ReportUnsent(ctx context.Context, org string, job string, u storage.Unsent) error {
	return w.do("ReportUnsent", func(to storage.Store) error { return to.ReportUnsent(ctx, org, job, u) })
}

func (w *wrapper) Unsent(ctx context.Context, org string, job string) ([]storage.Unsent, error) {
	return get(w, "Unsent", func(to storage.Store) ([]storage.Unsent, error) { return to.Unsent(ctx, org, job) })
}

func (w *wrapper) ListRefused(ctx context.Context, org string, job string, offset int, limit int) ([]storage.Refused, error) {
	return get(w, "ListRefused", func(to storage.Store) ([]storage.Refused, error) { return to.ListRefused(ctx, org, job, offset, limit) })
}

func (w *wrapper) GetRefused(ctx context.Context, org string, job string, digest [32]byte) (storage.Refused, error) {
	return get(w, "GetRefused", func(to storage.Store) (storage.Refused, error) { return to.GetRefused(ctx, org, job, digest) })
}

func (w *wrapper) RefusedTotals(ctx context.Context, org string, job string, device string) (a int64, b int64, err error) {
	err = w.do("RefusedTotals", func(to storage.Store) error {
		a, b, err = to.RefusedTotals(ctx, org, job, device)
		return err
	})
	if err != nil {
		return *new(int64), *new(int64), err
	}
	return a, b, nil
}

func (w *wrapper) GetLogHead(ctx context.Context, org string) (storage.LogHead, error) {
	return get(w, "GetLogHead", func(to storage.Store) (storage.LogHead, error) { return to.GetLogHead(ctx, org) })
}

func (w *wrapper) LogNodes(ctx context.Context, org string, want []storage.Node) ([]storage.Node, error) {
	return get(w, "LogNodes", func(to storage.Store) ([]storage.Node, error) { return to.LogNodes(ctx, org, want) })
}

func (w *wrapper) LogLeaves(ctx context.Context, org string, job string, after int64, limit int) ([]storage.LogLeaf, error) {
	return get(w, "LogLeaves", func(to storage.Store) ([]storage.LogLeaf, error) { return to.LogLeaves(ctx, org, job, after, limit) })
}

func (w *wrapper) CreateUpload(ctx context.Context, org string, u storage.Upload, maxOpen int) (storage.Upload, error) {
	return get(w, "CreateUpload", func(to storage.Store) (storage.Upload, error) { return to.CreateUpload(ctx, org, u, maxOpen) })
}

func (w *wrapper) GetUpload(ctx context.Context, org string, id string) (storage.Upload, error) {
	return get(w, "GetUpload", func(to storage.Store) (storage.Upload, error) { return to.GetUpload(ctx, org, id) })
}

func (w *wrapper) AdvanceUpload(ctx context.Context, org string, id string, from int64, to int64, expire time.Time) (storage.Upload, error) {
	return get(w, "AdvanceUpload", func(to storage.Store) (storage.Upload, error) {
		return to.AdvanceUpload(ctx, org, id, from, to, expire)
	})
}

func (w *wrapper) FinishUpload(ctx context.Context, org string, id string, state string) (storage.Upload, error) {
	return get(w, "FinishUpload", func(to storage.Store) (storage.Upload, error) { return to.FinishUpload(ctx, org, id, state) })
}

func (w *wrapper) ExpiredUploads(ctx context.Context, now time.Time, limit int) (map[string][]storage.Upload, error) {
	return get(w, "ExpiredUploads", func(to storage.Store) (map[string][]storage.Upload, error) { return to.ExpiredUploads(ctx, now, limit) })
}

func (w *wrapper) DeleteUpload(ctx context.Context, org string, id string) error {
	return w.do("DeleteUpload", func(to storage.Store) error { return to.DeleteUpload(ctx, org, id) })
}

func (w *wrapper) PutBlob(ctx context.Context, org string, b storage.Blob) (storage.Blob, error) {
	return get(w, "PutBlob", func(to storage.Store) (storage.Blob, error) { return to.PutBlob(ctx, org, b) })
}

func (w *wrapper) GetBlob(ctx context.Context, org string, job string, digest [32]byte) (storage.Blob, error) {
	return get(w, "GetBlob", func(to storage.Store) (storage.Blob, error) { return to.GetBlob(ctx, org, job, digest) })
}

func (w *wrapper) ListBlobs(ctx context.Context, org string, job string, after [32]byte, limit int) ([]storage.Blob, error) {
	return get(w, "ListBlobs", func(to storage.Store) ([]storage.Blob, error) { return to.ListBlobs(ctx, org, job, after, limit) })
}

func (w *wrapper) BlobJobs(ctx context.Context, org string, digest [32]byte) ([]string, error) {
	return get(w, "BlobJobs", func(to storage.Store) ([]string, error) { return to.BlobJobs(ctx, org, digest) })
}

func (w *wrapper) EnqueueExamine(ctx context.Context, org string, items []storage.ExamineItem) error {
	return w.do("EnqueueExamine", func(to storage.Store) error { return to.EnqueueExamine(ctx, org, items) })
}

func (w *wrapper) TakeExamine(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.ExamineItem, error) {
	return get(w, "TakeExamine", func(to storage.Store) (map[string][]storage.ExamineItem, error) {
		return to.TakeExamine(ctx, now, lease, limit)
	})
}

func (w *wrapper) FinishExamine(ctx context.Context, org string, id string, job string, digest [32]byte, examined []byte) error {
	return w.do("FinishExamine", func(to storage.Store) error { return to.FinishExamine(ctx, org, id, job, digest, examined) })
}

func (w *wrapper) PostponeExamine(ctx context.Context, org string, id string, notBefore time.Time, problem string) error {
	return w.do("PostponeExamine", func(to storage.Store) error { return to.PostponeExamine(ctx, org, id, notBefore, problem) })
}

func (w *wrapper) EnqueueOutbox(ctx context.Context, org string, items []storage.OutboxItem) error {
	return w.do("EnqueueOutbox", func(to storage.Store) error { return to.EnqueueOutbox(ctx, org, items) })
}

func (w *wrapper) TakeOutbox(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.OutboxItem, error) {
	return get(w, "TakeOutbox", func(to storage.Store) (map[string][]storage.OutboxItem, error) {
		return to.TakeOutbox(ctx, now, lease, limit)
	})
}

func (w *wrapper) DoneOutbox(ctx context.Context, org string, ids []string) error {
	return w.do("DoneOutbox", func(to storage.Store) error { return to.DoneOutbox(ctx, org, ids) })
}

func (w *wrapper) TakeRetain(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.RetainItem, error) {
	return get(w, "TakeRetain", func(to storage.Store) (map[string][]storage.RetainItem, error) {
		return to.TakeRetain(ctx, now, lease, limit)
	})
}

func (w *wrapper) FinishRetain(ctx context.Context, org string, id string, job string, digest [32]byte, retention string) error {
	return w.do("FinishRetain", func(to storage.Store) error { return to.FinishRetain(ctx, org, id, job, digest, retention) })
}

func (w *wrapper) PostponeRetain(ctx context.Context, org string, id string, notBefore time.Time) error {
	return w.do("PostponeRetain", func(to storage.Store) error { return to.PostponeRetain(ctx, org, id, notBefore) })
}

func (w *wrapper) QueueDepths(ctx context.Context) (map[string]int64, error) {
	return get(w, "QueueDepths", func(to storage.Store) (map[string]int64, error) { return to.QueueDepths(ctx) })
}

func (w *wrapper) AddCustody(ctx context.Context, org string, c storage.CustodyLine) error {
	return w.do("AddCustody", func(to storage.Store) error { return to.AddCustody(ctx, org, c) })
}

func (w *wrapper) ListCustody(ctx context.Context, org string, who string, job string, before int64, limit int) ([]storage.CustodyLine, error) {
	return get(w, "ListCustody", func(to storage.Store) ([]storage.CustodyLine, error) {
		return to.ListCustody(ctx, org, who, job, before, limit)
	})
}

func (w *wrapper) PutPhotoHash(ctx context.Context, org string, h storage.PhotoHash) error {
	return w.do("PutPhotoHash", func(to storage.Store) error { return to.PutPhotoHash(ctx, org, h) })
}

func (w *wrapper) PhotoHashes(ctx context.Context, org string, site string, since time.Time, limit int) ([]storage.PhotoHash, error) {
	return get(w, "PhotoHashes", func(to storage.Store) ([]storage.PhotoHash, error) {
		return to.PhotoHashes(ctx, org, site, since, limit)
	})
}

// Close closes the store that pick names; it is never made to fail.
func (w *wrapper) Close() error { return w.pick().Close() }
