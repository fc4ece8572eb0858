// Package storage is the contract between the program and what keeps its data:
// the Store interface, the rows it speaks in, and the errors it promises. The
// comment of each method is the contract; storage/storagetest is its proof, run
// word for word against storage/sqlite and storage/postgres.
//
// Every method that takes an organisation reads and writes that organisation's
// rows only. One method is one transaction: all of it or nothing, durable when
// it returns nil. Times are UTC, cut to milliseconds. Ids are opaque text
// without the resource's collection ("p1", not "people/p1").
//
// Errors are errs.Error with the kinds and reasons named at each method. Any
// method may also answer Unavailable STORE_UNAVAILABLE (nothing was done),
// Invalid TEXT_NOT_UTF8 (a text that is not UTF-8 or holds NUL), and, where it
// names an organisation or a job that is not there, NotFound
// ORGANIZATION_NOT_FOUND or JOB_NOT_FOUND. Any other error means that the
// outcome is not known and the call may be repeated.
//
// Lists and look-ups of what is not there are empty, not errors. A limit below
// 1 gives nothing. The zero time is kept as none. Empty bytes come back empty,
// nil or not.
package storage

import (
	"context"
	"time"
)

// Store keeps everything but blobs. Implementations: storage/sqlite (embedded)
// and storage/postgres.
type Store interface {
	Organizations
	Documents
	Access
	Procedures
	Jobs
	Records
	Logs
	Uploads
	Queues
	Custody

	// Ping reports whether the store can be written to now: Unavailable
	// STORE_UNAVAILABLE otherwise.
	Ping(ctx context.Context) error
	// SchemaVersion returns the schema's number and the number that this
	// program knows.
	SchemaVersion(ctx context.Context) (have, want int64, err error)
	// Close releases everything. No method may run after it.
	Close() error
}

// ---- organisations ----

// Organization is a tenant.
type Organization struct {
	ID         string
	Title      string
	Settings   []byte // a document of the caller's, opaque here
	Version    int64  // 1 when made, one more at each change
	CreateTime time.Time
}

// Organizations keeps the tenants.
type Organizations interface {
	// CreateOrganization adds o with version 1 and an empty log. Exists
	// ORGANIZATION_EXISTS.
	CreateOrganization(ctx context.Context, o Organization) error
	// GetOrganization: NotFound ORGANIZATION_NOT_FOUND.
	GetOrganization(ctx context.Context, org string) (Organization, error)
	// ListOrganizations returns all ids in order; for workers and doctor.
	ListOrganizations(ctx context.Context) ([]string, error)
	// UpdateSettings replaces Settings. Stale VERSION_MOVED if expect is not the
	// current version.
	UpdateSettings(ctx context.Context, org string, settings []byte, expect int64) (Organization, error)
}

// ---- documents: what the office sets up ----

// Kind names a collection of documents.
type Kind string

// The kinds of documents.
const (
	KindSite       Kind = "site"
	KindPerson     Kind = "person"
	KindInstrument Kind = "instrument"
	KindDevice     Kind = "device"
	KindGrant      Kind = "grant"
	KindShareLink  Kind = "share-link"
	KindKitCheck   Kind = "kit-check" // owner: the instrument; one for each that a self-check holds for
)

// Document is one object that the office sets up. Body is the caller's; it is
// not searched. Owner lets a list be narrowed (the person of a device, the
// auditor of a grant, the job of a link); empty means none.
type Document struct {
	Kind       Kind
	ID         string
	Owner      string
	Body       []byte
	Version    int64
	CreateTime time.Time
	UpdateTime time.Time
}

// Documents keeps versioned documents.
type Documents interface {
	// CreateDocument adds d with version 1. Exists DOCUMENT_EXISTS. If requestID
	// is not empty and was used before for this kind, the document made then is
	// returned as it is now and nothing is stored.
	CreateDocument(ctx context.Context, org string, d Document, requestID string) (Document, error)
	// GetDocument: NotFound DOCUMENT_NOT_FOUND.
	GetDocument(ctx context.Context, org string, kind Kind, id string) (Document, error)
	// GetDocuments returns those of ids that exist, in no order.
	GetDocuments(ctx context.Context, org string, kind Kind, ids []string) ([]Document, error)
	// ListDocuments returns at most limit documents with id > after, by id;
	// owner narrows if not empty.
	ListDocuments(ctx context.Context, org string, kind Kind, owner, after string, limit int) ([]Document, error)
	// UpdateDocument replaces Body, Owner and UpdateTime. expect 0 means any
	// version; otherwise Stale VERSION_MOVED if it is not the current one.
	// NotFound DOCUMENT_NOT_FOUND.
	// enqueue lines go to the outbox in the same transaction.
	UpdateDocument(ctx context.Context, org string, d Document, expect int64, enqueue ...OutboxItem) (Document, error)
}

// ---- sessions, codes, keys ----

// Session is a bearer's right to act. The token itself is never stored.
type Session struct {
	TokenHash  [32]byte // SHA-256 of the token
	ID         string
	Org        string
	Person     string // empty for a share link
	Device     string // empty without a device
	ShareLink  string // empty for a person
	CreateTime time.Time
	ExpireTime time.Time // zero: does not expire by itself
	RevokeTime time.Time // zero: good
}

// Code is a one-time code for enrolment or sign-in. The code itself is never stored.
type Code struct {
	Hash       [32]byte
	Org        string
	Person     string
	ExpireTime time.Time
	UseTime    time.Time // zero: unused
}

// Key is a device's public key.
type Key struct {
	Org        string
	KeyID      string // first 16 hex digits of SHA-256 of SPKI
	Device     string
	Person     string
	SPKI       []byte // DER SubjectPublicKeyInfo
	CreateTime time.Time
	RevokeTime time.Time // zero: good. What it signed before stays verifiable.
}

// Access keeps sessions, codes, keys and counted attempts. Session and code
// look-ups come before the organisation is known, so they take none.
type Access interface {
	// PutSession stores s; Exists SESSION_EXISTS if its id or token is taken.
	PutSession(ctx context.Context, s Session) error
	// SessionByToken: NotFound SESSION_NOT_FOUND. Revoked and expired ones are
	// returned as they are.
	SessionByToken(ctx context.Context, tokenHash [32]byte) (Session, error)
	// RevokeSessions ends the good sessions of the organisation that match: by
	// id, device, person and share link; empty strings do not narrow, all empty
	// revokes nothing. Returns how many it ended; those ended before keep their time.
	RevokeSessions(ctx context.Context, org, id, device, person, shareLink string, at time.Time) (int64, error)
	// PutCode stores c. Exists CODE_EXISTS if the same code was given out before,
	// used or not: make another.
	PutCode(ctx context.Context, c Code) error
	// PeekCode returns an unused, unexpired code and leaves it unused; NotFound
	// CODE_NOT_FOUND as UseCode. Only UseCode makes sure that one caller has it.
	PeekCode(ctx context.Context, hash [32]byte, now time.Time) (Code, error)
	// UseCode marks an unused, unexpired code as used and returns it, once.
	// NotFound CODE_NOT_FOUND for an unknown, used or expired one: the caller
	// cannot tell which.
	UseCode(ctx context.Context, hash [32]byte, now time.Time) (Code, error)
	// PutKey stores k. Exists KEY_EXISTS if the key id is taken in the organisation.
	PutKey(ctx context.Context, k Key) error
	// KeyByID: NotFound KEY_NOT_FOUND. Revoked ones are returned as they are.
	KeyByID(ctx context.Context, org, keyID string) (Key, error)
	// KeysOfDevice returns a device's keys, newest first.
	KeysOfDevice(ctx context.Context, org, device string) ([]Key, error)
	// Keys returns those of keyIDs that exist, in no order.
	Keys(ctx context.Context, org string, keyIDs []string) ([]Key, error)
	// RevokeKeys ends all good keys of a device. Returns how many.
	RevokeKeys(ctx context.Context, org, device string, at time.Time) (int64, error)
	// CountAttempt adds one to the attempts under key and returns how many there
	// were since the window began; a window that is over begins anew. key is any
	// text, such as "code:<org>:<person>".
	CountAttempt(ctx context.Context, key string, window time.Duration, now time.Time) (int64, error)
	// ClearAttempts forgets the attempts under key.
	ClearAttempts(ctx context.Context, key string) error
	// ForgetAttempts forgets all attempts whose window began before a time, which
	// is longer ago than any window. Returns how many keys there were.
	ForgetAttempts(ctx context.Context, before time.Time) (int64, error)
}

// ---- procedures ----

// Procedure is one published revision.
type Procedure struct {
	ID         string
	Digest     [32]byte
	Revision   string
	Title      string
	Document   []byte // empty in lists
	CreateTime time.Time
}

// Procedures keeps published revisions; they never change.
type Procedures interface {
	// PutProcedure stores p; the same digest again changes nothing and returns
	// the stored one.
	PutProcedure(ctx context.Context, org string, p Procedure) (Procedure, error)
	// GetProcedure: NotFound PROCEDURE_NOT_FOUND. A zero digest asks for the
	// newest by CreateTime (of one millisecond: by the larger digest).
	GetProcedure(ctx context.Context, org, id string, digest [32]byte) (Procedure, error)
	// ListProcedures returns revisions without documents, newest first, at most
	// limit, skipping offset; id narrows if not empty.
	ListProcedures(ctx context.Context, org, id string, offset, limit int) ([]Procedure, error)
}

// ---- jobs ----

// JobState mirrors the record's state for lists and filters; the record decides.
type JobState string

// The states.
const (
	JobOpen     JobState = "open"
	JobFinished JobState = "finished"
	JobLocked   JobState = "locked"
	JobEnded    JobState = "ended"
)

// Job is a job's row. Head of the record: LineCount, Root and Compact move
// together with each append.
type Job struct {
	ID              string
	Title           string
	Site            string
	SiteTitle       string
	Zone            string
	Procedure       string
	ProcedureDigest [32]byte
	State           JobState
	People          []string
	Day             string // YYYY-MM-DD or empty
	Follows         string
	CreateTime      time.Time
	LockTime        time.Time // zero: not locked
	LineCount       int64
	Root            [32]byte
	Compact         []byte // the seal package's resumable tree state; opaque here
	AddendumCount   int64
	AddendumRoot    [32]byte
	AddendumCompact []byte
	AddendumSealed  int64 // addenda covered by a log leaf
	Contradicted    bool
	RefusedCount    int64
	RefusedBytes    int64
	LogIndex        int64  // of the lock; -1: none
	Names           []byte // names.json, written at the lock
}

// JobFilter narrows ListJobs; zero values do not narrow.
type JobFilter struct {
	Person string
	Day    string
	Site   string
	State  JobState
	Jobs   []string  // only these, for scoped readers; nil does not narrow
	Sites  []string  // only these
	From   time.Time // made at it or later
	To     time.Time // made before it
}

// Jobs keeps jobs.
type Jobs interface {
	// CreateJob stores j and its first lines (seq 1, 2 …, there may be none) in
	// one transaction. The store sets LineCount, counts of addenda and refused
	// entries (0) and LogIndex (-1); State is open if empty. Exists JOB_EXISTS;
	// Exists ENTRY_ID_REUSED; NotFound PROCEDURE_NOT_FOUND if the pinned revision
	// was not put before. A repeated requestID returns the job made then.
	CreateJob(ctx context.Context, org string, j Job, lines []NewLine, requestID string) (Job, error)
	// GetJob: NotFound JOB_NOT_FOUND.
	GetJob(ctx context.Context, org, id string) (Job, error)
	// ListJobs returns jobs newest first (create time, then id), strictly after
	// the place (beforeTime, beforeID) if beforeID is not empty.
	ListJobs(ctx context.Context, org string, f JobFilter, beforeTime time.Time, beforeID string, limit int) ([]Job, error)
	// AssignJob replaces People (a person named twice counts once) and Day.
	// NotFound JOB_NOT_FOUND.
	AssignJob(ctx context.Context, org, id string, people []string, day string) (Job, error)
}

// ---- records ----

// NewLine is a line to be stored: the bytes and what is needed to find it.
type NewLine struct {
	Seq           int64
	EntryID       string
	PayloadDigest [32]byte
	Device        string // empty: none
	Counter       int64  // 0: none
	Line          []byte // the leaf: JSON without newline
	ReceiveTime   time.Time
}

// Line is a stored line.
type Line struct {
	Seq         int64
	EntryID     string
	Line        []byte
	ReceiveTime time.Time
}

// Refused is an entry kept aside.
type Refused struct {
	Digest      [32]byte // of the payload
	EntryID     string   // where it could be read
	Payload     []byte
	Signature   []byte
	KeyID       string
	Reason      string
	Sentence    string
	Sender      string
	Device      string
	Counter     int64
	ReceiveTime time.Time
	AdmittedSeq int64 // 0: not admitted
}

// Unsent is a device's last word about what it still holds of a job.
type Unsent struct {
	Device string
	Person string
	Count  int64
	Time   time.Time
}

// List names where an entry ended up.
type List string

// The lists.
const (
	ListRecord  List = "record"
	ListAddenda List = "addenda"
)

// EntryRef says where an entry is.
type EntryRef struct {
	EntryID       string
	Job           string
	List          List
	Seq           int64
	PayloadDigest [32]byte
}

// Append is one step forward of a record.
type Append struct {
	After   int64 // LineCount that the caller saw
	Lines   []NewLine
	Root    [32]byte // after the lines
	Compact []byte
	State   JobState // the new state: open or finished; empty leaves it
	Refused []Refused
	// AdmitDigest marks that refused entry as admitted by the line AdmitSeq.
	AdmitDigest [32]byte
	AdmitSeq    int64
	Examine     []ExamineItem
	Outbox      []OutboxItem // lines for other jobs
	OutboxDone  []string     // outbox ids that these lines carry out
}

// AppendAddenda is one step forward of a job's addenda.
type AppendAddenda struct {
	After        int64 // AddendumCount that the caller saw
	Lines        []NewLine
	Root         [32]byte
	Compact      []byte
	Contradicted bool
	Examine      []ExamineItem
	Retain       []RetainItem // of files that arrived with these lines
	Refused      []Refused
	OutboxDone   []string
}

// Lock is the last step of a record: sign-off (or ended) and locked lines, the
// log's leaf and the signed checkpoint, together.
type Lock struct {
	After    int64
	Lines    []NewLine
	Root     [32]byte
	Compact  []byte
	State    JobState // JobLocked or JobEnded
	Names    []byte
	LockTime time.Time
	Log      LogAppend
	Retain   []RetainItem
}

// Records keeps lines, addenda and refused entries. Lines are never changed or
// deleted; the database refuses to.
type Records interface {
	// Append adds lines after a.After: all or none. A replay whose lines are all
	// stored already with the same bytes at the same place stores nothing (nor
	// what else is in a: it was stored with them) and returns the current job,
	// locked or not. Without lines, Root and Compact stay and there is no replay:
	// the other items are told apart by their own ids. Errors, looked for in this
	// order: Invalid LINE_… or JOB_STATE (a broken call); NotFound JOB_NOT_FOUND;
	// WrongState RECORD_LOCKED; Stale HEAD_MOVED (the job has another LineCount,
	// in Meta "line_count"); Exists ENTRY_ID_REUSED (an id is taken, in any job
	// of the organisation; Meta says "entry", "job", "list", "seq"); NotFound
	// REFUSED_NOT_FOUND for AdmitDigest. Refused entries with a digest already
	// kept for the job are left as they are, and so are known examinations and
	// outbox items; OutboxDone ids that are not there are done.
	Append(ctx context.Context, org, job string, a Append) (Job, error)
	// AppendAddenda adds addenda to a locked or ended job. Errors as Append (Meta
	// "addendum_count" of HEAD_MOVED); WrongState RECORD_OPEN if the job is not
	// locked. Contradicted, once set, stays.
	AppendAddenda(ctx context.Context, org, job string, a AppendAddenda) (Job, error)
	// Lock appends the last lines, the log leaf and the checkpoint, under a row
	// lock on the log head; Log.Job and Log.List are set by the store. At least
	// one line. Errors as Append; after HEAD_MOVED, Stale LOG_MOVED if the log's
	// size is not l.Log.After (Meta "size"). A replay is told by its lines.
	Lock(ctx context.Context, org, job string, l Lock) (Job, error)
	// SealAddenda appends a log leaf over the job's first count addenda and sets
	// AddendumSealed. A replay (the same leaf stands at l.After) stores nothing.
	// Errors: NotFound JOB_NOT_FOUND; WrongState RECORD_OPEN; Stale LOG_MOVED;
	// Invalid ADDENDUM_COUNT if count is not more than what is sealed, or more
	// than there is.
	SealAddenda(ctx context.Context, org, job string, count int64, l LogAppend) (Job, error)
	// KeepRefused stores refused entries without lines, in any state of the job.
	// NotFound JOB_NOT_FOUND.
	KeepRefused(ctx context.Context, org, job string, rs []Refused) error
	// Lines returns at most limit lines with seq > after, in order, and at most
	// maxBytes of them, but at least one; maxBytes below 1 does not bound.
	Lines(ctx context.Context, org, job string, list List, after int64, limit int, maxBytes int64) ([]Line, error)
	// FindEntries says where those of ids are that exist, in any job.
	FindEntries(ctx context.Context, org string, ids []string) (map[string]EntryRef, error)
	// DeviceHead returns the largest counter of a device in a job's record and
	// addenda and its payload's digest (of a forked chain, the one that came
	// last); 0 when there is none.
	DeviceHead(ctx context.Context, org, job, device string) (counter int64, digest [32]byte, err error)
	// ReportUnsent records how many entries and photos of a job a device says it
	// still holds; a report as new or newer (by Time) replaces the one before.
	// NotFound JOB_NOT_FOUND.
	ReportUnsent(ctx context.Context, org, job string, u Unsent) error
	// Unsent returns the last report of each device for a job, by device.
	Unsent(ctx context.Context, org, job string) ([]Unsent, error)
	// ListRefused returns kept-aside entries by receive time and digest, skipping offset.
	ListRefused(ctx context.Context, org, job string, offset, limit int) ([]Refused, error)
	// GetRefused: NotFound REFUSED_NOT_FOUND.
	GetRefused(ctx context.Context, org, job string, digest [32]byte) (Refused, error)
	// RefusedTotals returns the number and payload bytes kept aside for a job and device.
	RefusedTotals(ctx context.Context, org, job, device string) (count, bytes int64, err error)
}

// ---- the organisation's log ----

// Node is a stored node of a Merkle tree.
type Node struct {
	Level uint32
	Index uint64
	Hash  [32]byte
}

// LogAppend adds one leaf.
type LogAppend struct {
	After      int64 // size before
	Leaf       []byte
	Job        string
	List       List
	Nodes      []Node // every node that the leaf completes, itself included
	Compact    []byte
	Root       [32]byte // after the leaf
	Checkpoint []byte   // signed note over the new size
}

// LogHead is the head of a log.
type LogHead struct {
	Size       int64
	Root       [32]byte
	Compact    []byte
	Checkpoint []byte // empty before the first leaf
}

// LogLeaf is one leaf.
type LogLeaf struct {
	Index int64
	Leaf  []byte
	Job   string
	List  List
}

// Logs reads an organisation's log; only Lock and SealAddenda write it.
type Logs interface {
	// GetLogHead returns the head; size 0 and the root of nothing (SHA-256 of no
	// bytes) for a new log. NotFound ORGANIZATION_NOT_FOUND.
	GetLogHead(ctx context.Context, org string) (LogHead, error)
	// LogNodes returns the nodes asked for, in that order; Corrupt
	// LOG_NODE_MISSING if one is not there.
	LogNodes(ctx context.Context, org string, want []Node) ([]Node, error)
	// LogLeaves returns at most limit leaves with index > after, in order; job
	// narrows if not empty. The first leaf has index 0: begin with after = -1.
	LogLeaves(ctx context.Context, org, job string, after int64, limit int) ([]LogLeaf, error)
}

// ---- uploads and blobs ----

// Upload is a photo or trace on its way in.
type Upload struct {
	ID         string
	Job        string
	Person     string
	Device     string
	Purpose    string // "photo" or "trace"
	Entry      string
	Size       int64
	Digest     [32]byte
	Offset     int64  // bytes before it are staged
	State      string // "receiving", "stored", "wrong"
	CreateTime time.Time
	ExpireTime time.Time
}

// Blob says where kept bytes are.
type Blob struct {
	Job        string
	Digest     [32]byte
	Purpose    string
	Size       int64
	MediaType  string
	Key        string
	VersionID  string
	CreateTime time.Time
	Retention  string // "", "pending", "until …", "not enforced"
	Examined   []byte // recordv1.PhotoExamined as JSON; empty: not yet
}

// Uploads keeps uploads and where blobs are.
type Uploads interface {
	// CreateUpload stores u, or returns the receiving upload that the same
	// device (or, without one, person) has for the same job and digest. Busy
	// TOO_MANY_UPLOADS if maxOpen of that device (or person) are receiving.
	// Exists UPLOAD_EXISTS; NotFound JOB_NOT_FOUND; Invalid PURPOSE, UPLOAD_BEGIN.
	//
	// It need not survive a power cut: the upload is begun again.
	CreateUpload(ctx context.Context, org string, u Upload, maxOpen int) (Upload, error)
	// GetUpload: NotFound UPLOAD_NOT_FOUND.
	GetUpload(ctx context.Context, org, id string) (Upload, error)
	// AdvanceUpload moves the offset from 'from' to 'to' and the expiry. If the
	// stored offset is not from, the stored upload is returned with Stale
	// UPLOAD_OFFSET; if it is over, with WrongState UPLOAD_OVER. Invalid
	// UPLOAD_RANGE if to is before from or behind the size. NotFound. A power cut
	// may take the last of these moves back, as it may the chunks.
	AdvanceUpload(ctx context.Context, org, id string, from, to int64, expire time.Time) (Upload, error)
	// FinishUpload sets the state to "stored" or "wrong"; again is harmless.
	// WrongState UPLOAD_OVER if it ended the other way. NotFound
	// UPLOAD_NOT_FOUND; Invalid UPLOAD_STATE.
	//
	// It need not survive a power cut: the upload is finished again, and the
	// blob's row says that the bytes are kept.
	FinishUpload(ctx context.Context, org, id, state string) (Upload, error)
	// ExpiredUploads returns at most limit uploads past their time, in any state,
	// of all organisations.
	ExpiredUploads(ctx context.Context, now time.Time, limit int) (map[string][]Upload, error)
	// DeleteUpload forgets one; one that is not there is forgotten.
	DeleteUpload(ctx context.Context, org, id string) error
	// PutBlob records kept bytes; the same job and digest again changes nothing
	// and returns the stored one. NotFound JOB_NOT_FOUND.
	PutBlob(ctx context.Context, org string, b Blob) (Blob, error)
	// GetBlob: NotFound BLOB_NOT_FOUND.
	GetBlob(ctx context.Context, org, job string, digest [32]byte) (Blob, error)
	// ListBlobs returns at most limit of a job's blobs with digest > after (zero:
	// from the first), by digest. job empty: all of the organisation, by digest
	// and job; all jobs of the last digest come with it, over the limit if need
	// be, so that the next page misses none.
	ListBlobs(ctx context.Context, org, job string, after [32]byte, limit int) ([]Blob, error)
	// BlobJobs returns the jobs that hold this digest.
	BlobJobs(ctx context.Context, org string, digest [32]byte) ([]string, error)
}

// ---- queues ----

// ExamineItem asks for a photo's or trace's examination. Unique per job, digest and entry.
type ExamineItem struct {
	ID          string
	Job         string
	Digest      [32]byte
	Purpose     string // "photo" or "trace"
	Entry       string
	Subject     string
	Step        string
	Attempts    int64
	NotBefore   time.Time // of a taken item: the end of its lease
	LastProblem string
}

// OutboxItem is a server-made entry on its way to a job: what outside of it
// changed what is complete in it. ID makes it idempotent.
type OutboxItem struct {
	ID         string
	Job        string // where it came from or goes to; empty: no job, such as a calibration
	Payload    []byte // the entry as the server will write it, without seq
	CreateTime time.Time
}

// RetainItem asks for a blob's retention.
type RetainItem struct {
	ID        string
	Job       string
	Key       string
	VersionID string
	Until     time.Time
	Digest    [32]byte
	Attempts  int64
}

// Queues are bounded only by the disk and survive a kill. Take leases items to
// one worker; an item not done within the lease comes back. Attempts counts the
// times that an item was taken.
type Queues interface {
	// EnqueueExamine adds items; known ones (job, digest, entry) are left.
	EnqueueExamine(ctx context.Context, org string, items []ExamineItem) error
	// TakeExamine leases at most limit due items of any organisation.
	TakeExamine(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]ExamineItem, error)
	// FinishExamine removes an item and records the examination with the blob; an
	// item that is not there is finished. NotFound BLOB_NOT_FOUND.
	FinishExamine(ctx context.Context, org, id string, job string, digest [32]byte, examined []byte) error
	// PostponeExamine puts an item back. NotFound ITEM_NOT_FOUND.
	PostponeExamine(ctx context.Context, org, id string, notBefore time.Time, problem string) error
	// EnqueueOutbox adds items; ids that wait already are left. NotFound
	// JOB_NOT_FOUND. The entry's own id is what makes a done item harmless when
	// it is enqueued again.
	EnqueueOutbox(ctx context.Context, org string, items []OutboxItem) error
	// TakeOutbox leases items of any organisation, oldest first.
	TakeOutbox(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]OutboxItem, error)
	// DoneOutbox removes items.
	DoneOutbox(ctx context.Context, org string, ids []string) error
	// TakeRetain leases retention items of any organisation.
	TakeRetain(ctx context.Context, now time.Time, lease time.Duration, limit int) (map[string][]RetainItem, error)
	// FinishRetain removes an item and sets the blob's retention text. NotFound
	// BLOB_NOT_FOUND.
	FinishRetain(ctx context.Context, org, id string, job string, digest [32]byte, retention string) error
	// PostponeRetain puts an item back. NotFound ITEM_NOT_FOUND.
	PostponeRetain(ctx context.Context, org, id string, notBefore time.Time) error
	// QueueDepths returns the number of items waiting or leased, by the names
	// "examine", "outbox", "retain".
	QueueDepths(ctx context.Context) (map[string]int64, error)
}

// ---- custody, photo hashes ----

// CustodyLine says who read or tried what.
type CustodyLine struct {
	Seq     int64 // set by the store, 1, 2, 3 … per organisation
	Time    time.Time
	Who     string
	Action  string
	Job     string
	Subject string
	Detail  []byte
}

// PhotoHash is a photo's perceptual hash, for finding twins.
type PhotoHash struct {
	Job    string
	Site   string
	Digest [32]byte
	Hash   []byte // the photo package's form; opaque here
	Time   time.Time
}

// Custody keeps custody lines and perceptual hashes. Custody lines are never
// changed or deleted.
type Custody interface {
	// AddCustody appends a line.
	AddCustody(ctx context.Context, org string, c CustodyLine) error
	// ListCustody returns lines newest first, with seq < before if before > 0;
	// who and job narrow if not empty.
	ListCustody(ctx context.Context, org, who, job string, before int64, limit int) ([]CustodyLine, error)
	// PutPhotoHash stores h; the same job and digest again replaces it.
	PutPhotoHash(ctx context.Context, org string, h PhotoHash) error
	// PhotoHashes returns hashes of that time and later, newest first; site
	// narrows if not empty.
	PhotoHashes(ctx context.Context, org, site string, since time.Time, limit int) ([]PhotoHash, error)
}
