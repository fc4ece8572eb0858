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
	err := w.do(op, func(st storage.Store) error {
		v, real = call(st)
		return real
	})
	if err != nil && real == nil {
		return *new(T), err // the answer is lost
	}
	return v, err // an answer that comes with an error is passed on with it
}

func (w *wrapper) Ping(ctx context.Context) error {
	return w.do("Ping", func(st storage.Store) error { return st.Ping(ctx) })
}

func (w *wrapper) SchemaVersion(ctx context.Context) (a int64, b int64, err error) {
	err = w.do("SchemaVersion", func(st storage.Store) error {
		a, b, err = st.SchemaVersion(ctx)
		return err
	})
	if err != nil {
		return *new(int64), *new(int64), err
	}
	return a, b, nil
}

func (w *wrapper) CreateOrganization(ctx context.Context, o storage.Organization) error {
	return w.do("CreateOrganization", func(st storage.Store) error { return st.CreateOrganization(ctx, o) })
}

func (w *wrapper) GetOrganization(ctx context.Context, org string) (storage.Organization, error) {
	return get(w, "GetOrganization", func(st storage.Store) (storage.Organization, error) { return st.GetOrganization(ctx, org) })
}

func (w *wrapper) ListOrganizations(ctx context.Context) ([]string, error) {
	return get(w, "ListOrganizations", func(st storage.Store) ([]string, error) { return st.ListOrganizations(ctx) })
}

func (w *wrapper) UpdateSettings(ctx context.Context, org string, settings []byte, expect int64) (storage.Organization, error) {
	return get(w, "UpdateSettings", func(st storage.Store) (storage.Organization, error) {
		return st.UpdateSettings(ctx, org, settings, expect)
	})
}

func (w *wrapper) CreateDocument(ctx context.Context, org string, d storage.Document, requestID string) (storage.Document, error) {
	return get(w, "CreateDocument", func(st storage.Store) (storage.Document, error) { return st.CreateDocument(ctx, org, d, requestID) })
}

func (w *wrapper) GetDocument(ctx context.Context, org string, kind storage.Kind, id string) (storage.Document, error) {
	return get(w, "GetDocument", func(st storage.Store) (storage.Document, error) { return st.GetDocument(ctx, org, kind, id) })
}

func (w *wrapper) GetDocuments(ctx context.Context, org string, kind storage.Kind, ids []string) ([]storage.Document, error) {
	return get(w, "GetDocuments", func(st storage.Store) ([]storage.Document, error) { return st.GetDocuments(ctx, org, kind, ids) })
}

func (w *wrapper) ListDocuments(ctx context.Context, org string, kind storage.Kind, owner string, after string, limit int) ([]storage.Document, error) {
	return get(w, "ListDocuments", func(st storage.Store) ([]storage.Document, error) {
		return st.ListDocuments(ctx, org, kind, owner, after, limit)
	})
}

func (w *wrapper) UpdateDocument(ctx context.Context, org string, d storage.Document, expect int64, enqueue ...storage.OutboxItem) (storage.Document, error) {
	return get(w, "UpdateDocument", func(st storage.Store) (storage.Document, error) {
		return st.UpdateDocument(ctx, org, d, expect, enqueue...)
	})
}

func (w *wrapper) PutSession(ctx context.Context, s storage.Session) error {
	return w.do("PutSession", func(st storage.Store) error { return st.PutSession(ctx, s) })
}

func (w *wrapper) SessionByToken(ctx context.Context, tokenHash [32]byte) (storage.Session, error) {
	return get(w, "SessionByToken", func(st storage.Store) (storage.Session, error) { return st.SessionByToken(ctx, tokenHash) })
}

func (w *wrapper) RevokeSessions(ctx context.Context, org string, id string, device string, person string, shareLink string, at time.Time) (int64, error) {
	return get(w, "RevokeSessions", func(st storage.Store) (int64, error) {
		return st.RevokeSessions(ctx, org, id, device, person, shareLink, at)
	})
}

func (w *wrapper) PutCode(ctx context.Context, c storage.Code) error {
	return w.do("PutCode", func(st storage.Store) error { return st.PutCode(ctx, c) })
}

func (w *wrapper) ForgetAttempts(ctx context.Context, before time.Time) (int64, error) {
	return get(w, "ForgetAttempts", func(st storage.Store) (int64, error) { return st.ForgetAttempts(ctx, before) })
}

func (w *wrapper) PeekCode(ctx context.Context, hash [32]byte, now time.Time) (storage.Code, error) {
	return get(w, "PeekCode", func(st storage.Store) (storage.Code, error) { return st.PeekCode(ctx, hash, now) })
}

func (w *wrapper) UseCode(ctx context.Context, hash [32]byte, now time.Time) (storage.Code, error) {
	return get(w, "UseCode", func(st storage.Store) (storage.Code, error) { return st.UseCode(ctx, hash, now) })
}

func (w *wrapper) PutKey(ctx context.Context, k storage.Key) error {
	return w.do("PutKey", func(st storage.Store) error { return st.PutKey(ctx, k) })
}

func (w *wrapper) KeyByID(ctx context.Context, org string, keyID string) (storage.Key, error) {
	return get(w, "KeyByID", func(st storage.Store) (storage.Key, error) { return st.KeyByID(ctx, org, keyID) })
}

func (w *wrapper) KeysOfDevice(ctx context.Context, org string, device string) ([]storage.Key, error) {
	return get(w, "KeysOfDevice", func(st storage.Store) ([]storage.Key, error) { return st.KeysOfDevice(ctx, org, device) })
}

func (w *wrapper) Keys(ctx context.Context, org string, keyIDs []string) ([]storage.Key, error) {
	return get(w, "Keys", func(st storage.Store) ([]storage.Key, error) { return st.Keys(ctx, org, keyIDs) })
}

func (w *wrapper) RevokeKeys(ctx context.Context, org string, device string, at time.Time) (int64, error) {
	return get(w, "RevokeKeys", func(st storage.Store) (int64, error) { return st.RevokeKeys(ctx, org, device, at) })
}

func (w *wrapper) CountAttempt(ctx context.Context, key string, window time.Duration, now time.Time) (int64, error) {
	return get(w, "CountAttempt", func(st storage.Store) (int64, error) { return st.CountAttempt(ctx, key, window, now) })
}

func (w *wrapper) ClearAttempts(ctx context.Context, key string) error {
	return w.do("ClearAttempts", func(st storage.Store) error { return st.ClearAttempts(ctx, key) })
}

func (w *wrapper) PutProcedure(ctx context.Context, org string, p storage.Procedure) (storage.Procedure, error) {
	return get(w, "PutProcedure", func(st storage.Store) (storage.Procedure, error) { return st.PutProcedure(ctx, org, p) })
}

func (w *wrapper) GetProcedure(ctx context.Context, org string, id string, digest [32]byte) (storage.Procedure, error) {
	return get(w, "GetProcedure", func(st storage.Store) (storage.Procedure, error) { return st.GetProcedure(ctx, org, id, digest) })
}

func (w *wrapper) ListProcedures(ctx context.Context, org string, id string, offset int, limit int) ([]storage.Procedure, error) {
	return get(w, "ListProcedures", func(st storage.Store) ([]storage.Procedure, error) {
		return st.ListProcedures(ctx, org, id, offset, limit)
	})
}

func (w *wrapper) CreateJob(ctx context.Context, org string, j storage.Job, lines []storage.NewLine, requestID string) (storage.Job, error) {
	return get(w, "CreateJob", func(st storage.Store) (storage.Job, error) { return st.CreateJob(ctx, org, j, lines, requestID) })
}

func (w *wrapper) GetJob(ctx context.Context, org string, id string) (storage.Job, error) {
	return get(w, "GetJob", func(st storage.Store) (storage.Job, error) { return st.GetJob(ctx, org, id) })
}

func (w *wrapper) ListJobs(ctx context.Context, org string, f storage.JobFilter, beforeTime time.Time, beforeID string, limit int) ([]storage.Job, error) {
	return get(w, "ListJobs", func(st storage.Store) ([]storage.Job, error) {
		return st.ListJobs(ctx, org, f, beforeTime, beforeID, limit)
	})
}

func (w *wrapper) AssignJob(ctx context.Context, org string, id string, people []string, day string) (storage.Job, error) {
	return get(w, "AssignJob", func(st storage.Store) (storage.Job, error) { return st.AssignJob(ctx, org, id, people, day) })
}

func (w *wrapper) Append(ctx context.Context, org string, job string, a storage.Append) (storage.Job, error) {
	return get(w, "Append", func(st storage.Store) (storage.Job, error) { return st.Append(ctx, org, job, a) })
}

func (w *wrapper) AppendAddenda(ctx context.Context, org string, job string, a storage.AppendAddenda) (storage.Job, error) {
	return get(w, "AppendAddenda", func(st storage.Store) (storage.Job, error) { return st.AppendAddenda(ctx, org, job, a) })
}

func (w *wrapper) Lock(ctx context.Context, org string, job string, l storage.Lock) (storage.Job, error) {
	return get(w, "Lock", func(st storage.Store) (storage.Job, error) { return st.Lock(ctx, org, job, l) })
}

func (w *wrapper) SealAddenda(ctx context.Context, org string, job string, count int64, l storage.LogAppend) (storage.Job, error) {
	return get(w, "SealAddenda", func(st storage.Store) (storage.Job, error) { return st.SealAddenda(ctx, org, job, count, l) })
}

func (w *wrapper) KeepRefused(ctx context.Context, org string, job string, rs []storage.Refused) error {
	return w.do("KeepRefused", func(st storage.Store) error { return st.KeepRefused(ctx, org, job, rs) })
}

func (w *wrapper) Lines(ctx context.Context, org string, job string, list storage.List, after int64, limit int, maxBytes int64) ([]storage.Line, error) {
	return get(w, "Lines", func(st storage.Store) ([]storage.Line, error) {
		return st.Lines(ctx, org, job, list, after, limit, maxBytes)
	})
}

func (w *wrapper) FindEntries(ctx context.Context, org string, ids []string) (map[string]storage.EntryRef, error) {
	return get(w, "FindEntries", func(st storage.Store) (map[string]storage.EntryRef, error) { return st.FindEntries(ctx, org, ids) })
}

func (w *wrapper) DeviceHead(ctx context.Context, org string, job string, device string) (a int64, b [32]byte, err error) {
	err = w.do("DeviceHead", func(st storage.Store) error {
		a, b, err = st.DeviceHead(ctx, org, job, device)
		return err
	})
	if err != nil {
		return *new(int64), *new([32]byte), err
	}
	return a, b, nil
}

func (w *wrapper) ReportUnsent(ctx context.Context, org string, job string, u storage.Unsent) error {
	return w.do("ReportUnsent", func(st storage.Store) error { return st.ReportUnsent(ctx, org, job, u) })
}

func (w *wrapper) Unsent(ctx context.Context, org string, job string) ([]storage.Unsent, error) {
	return get(w, "Unsent", func(st storage.Store) ([]storage.Unsent, error) { return st.Unsent(ctx, org, job) })
}

func (w *wrapper) ListRefused(ctx context.Context, org string, job string, offset int, limit int) ([]storage.Refused, error) {
	return get(w, "ListRefused", func(st storage.Store) ([]storage.Refused, error) { return st.ListRefused(ctx, org, job, offset, limit) })
}

func (w *wrapper) GetRefused(ctx context.Context, org string, job string, digest [32]byte) (storage.Refused, error) {
	return get(w, "GetRefused", func(st storage.Store) (storage.Refused, error) { return st.GetRefused(ctx, org, job, digest) })
}

func (w *wrapper) RefusedTotals(ctx context.Context, org string, job string, device string) (a int64, b int64, err error) {
	err = w.do("RefusedTotals", func(st storage.Store) error {
		a, b, err = st.RefusedTotals(ctx, org, job, device)
		return err
	})
	if err != nil {
		return *new(int64), *new(int64), err
	}
	return a, b, nil
}

func (w *wrapper) GetLogHead(ctx context.Context, org string) (storage.LogHead, error) {
	return get(w, "GetLogHead", func(st storage.Store) (storage.LogHead, error) { return st.GetLogHead(ctx, org) })
}

func (w *wrapper) LogNodes(ctx context.Context, org string, want []storage.Node) ([]storage.Node, error) {
	return get(w, "LogNodes", func(st storage.Store) ([]storage.Node, error) { return st.LogNodes(ctx, org, want) })
}

func (w *wrapper) LogLeaves(ctx context.Context, org string, job string, after int64, limit int) ([]storage.LogLeaf, error) {
	return get(w, "LogLeaves", func(st storage.Store) ([]storage.LogLeaf, error) { return st.LogLeaves(ctx, org, job, after, limit) })
}

func (w *wrapper) CreateUpload(ctx context.Context, org string, u storage.Upload, maxOpen int) (storage.Upload, error) {
	return get(w, "CreateUpload", func(st storage.Store) (storage.Upload, error) { return st.CreateUpload(ctx, org, u, maxOpen) })
}

func (w *wrapper) GetUpload(ctx context.Context, org string, id string) (storage.Upload, error) {
	return get(w, "GetUpload", func(st storage.Store) (storage.Upload, error) { return st.GetUpload(ctx, org, id) })
}

func (w *wrapper) AdvanceUpload(ctx context.Context, org string, id string, from int64, to int64, expire time.Time) (storage.Upload, error) {
	return get(w, "AdvanceUpload", func(st storage.Store) (storage.Upload, error) {
		return st.AdvanceUpload(ctx, org, id, from, to, expire)
	})
}

func (w *wrapper) FinishUpload(ctx context.Context, org string, id string, state string) (storage.Upload, error) {
	return get(w, "FinishUpload", func(st storage.Store) (storage.Upload, error) { return st.FinishUpload(ctx, org, id, state) })
}

func (w *wrapper) ExpiredUploads(ctx context.Context, now time.Time, limit int) (map[string][]storage.Upload, error) {
	return get(w, "ExpiredUploads", func(st storage.Store) (map[string][]storage.Upload, error) { return st.ExpiredUploads(ctx, now, limit) })
}

func (w *wrapper) DeleteUpload(ctx context.Context, org string, id string) error {
	return w.do("DeleteUpload", func(st storage.Store) error { return st.DeleteUpload(ctx, org, id) })
}

func (w *wrapper) PutBlob(ctx context.Context, org string, b storage.Blob) (storage.Blob, error) {
	return get(w, "PutBlob", func(st storage.Store) (storage.Blob, error) { return st.PutBlob(ctx, org, b) })
}

func (w *wrapper) GetBlob(ctx context.Context, org string, job string, digest [32]byte) (storage.Blob, error) {
	return get(w, "GetBlob", func(st storage.Store) (storage.Blob, error) { return st.GetBlob(ctx, org, job, digest) })
}

func (w *wrapper) ListBlobs(ctx context.Context, org string, job string, after [32]byte, limit int) ([]storage.Blob, error) {
	return get(w, "ListBlobs", func(st storage.Store) ([]storage.Blob, error) { return st.ListBlobs(ctx, org, job, after, limit) })
}

func (w *wrapper) BlobJobs(ctx context.Context, org string, digest [32]byte) ([]string, error) {
	return get(w, "BlobJobs", func(st storage.Store) ([]string, error) { return st.BlobJobs(ctx, org, digest) })
}

func (w *wrapper) EnqueueExamine(ctx context.Context, org string, items []storage.ExamineItem) error {
	return w.do("EnqueueExamine", func(st storage.Store) error { return st.EnqueueExamine(ctx, org, items) })
}

func (w *wrapper) TakeExamine(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.ExamineItem, error) {
	return get(w, "TakeExamine", func(st storage.Store) (map[string][]storage.ExamineItem, error) {
		return st.TakeExamine(ctx, now, lease, limit)
	})
}

func (w *wrapper) FinishExamine(ctx context.Context, org string, id string, job string, digest [32]byte, examined []byte) error {
	return w.do("FinishExamine", func(st storage.Store) error { return st.FinishExamine(ctx, org, id, job, digest, examined) })
}

func (w *wrapper) PostponeExamine(ctx context.Context, org string, id string, notBefore time.Time, problem string) error {
	return w.do("PostponeExamine", func(st storage.Store) error { return st.PostponeExamine(ctx, org, id, notBefore, problem) })
}

func (w *wrapper) EnqueueOutbox(ctx context.Context, org string, items []storage.OutboxItem) error {
	return w.do("EnqueueOutbox", func(st storage.Store) error { return st.EnqueueOutbox(ctx, org, items) })
}

func (w *wrapper) TakeOutbox(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.OutboxItem, error) {
	return get(w, "TakeOutbox", func(st storage.Store) (map[string][]storage.OutboxItem, error) {
		return st.TakeOutbox(ctx, now, lease, limit)
	})
}

func (w *wrapper) DoneOutbox(ctx context.Context, org string, ids []string) error {
	return w.do("DoneOutbox", func(st storage.Store) error { return st.DoneOutbox(ctx, org, ids) })
}

func (w *wrapper) TakeRetain(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]storage.RetainItem, error) {
	return get(w, "TakeRetain", func(st storage.Store) (map[string][]storage.RetainItem, error) {
		return st.TakeRetain(ctx, now, lease, limit)
	})
}

func (w *wrapper) FinishRetain(ctx context.Context, org string, id string, job string, digest [32]byte, retention string) error {
	return w.do("FinishRetain", func(st storage.Store) error { return st.FinishRetain(ctx, org, id, job, digest, retention) })
}

func (w *wrapper) PostponeRetain(ctx context.Context, org string, id string, notBefore time.Time) error {
	return w.do("PostponeRetain", func(st storage.Store) error { return st.PostponeRetain(ctx, org, id, notBefore) })
}

func (w *wrapper) QueueDepths(ctx context.Context) (map[string]int64, error) {
	return get(w, "QueueDepths", func(st storage.Store) (map[string]int64, error) { return st.QueueDepths(ctx) })
}

func (w *wrapper) AddCustody(ctx context.Context, org string, c storage.CustodyLine) error {
	return w.do("AddCustody", func(st storage.Store) error { return st.AddCustody(ctx, org, c) })
}

func (w *wrapper) ListCustody(ctx context.Context, org string, who string, job string, before int64, limit int) ([]storage.CustodyLine, error) {
	return get(w, "ListCustody", func(st storage.Store) ([]storage.CustodyLine, error) {
		return st.ListCustody(ctx, org, who, job, before, limit)
	})
}

func (w *wrapper) PutPhotoHash(ctx context.Context, org string, h storage.PhotoHash) error {
	return w.do("PutPhotoHash", func(st storage.Store) error { return st.PutPhotoHash(ctx, org, h) })
}

func (w *wrapper) PhotoHashes(ctx context.Context, org string, site string, since time.Time, limit int) ([]storage.PhotoHash, error) {
	return get(w, "PhotoHashes", func(st storage.Store) ([]storage.PhotoHash, error) {
		return st.PhotoHashes(ctx, org, site, since, limit)
	})
}

// Close closes the store that pick names; it is never made to fail.
func (w *wrapper) Close() error { return w.pick().Close() }
