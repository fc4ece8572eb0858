-- Uploads, where blobs are, queues of work, custody, photo hashes.

-- +goose Up
CREATE TABLE upload (
    org         TEXT    NOT NULL,
    id          TEXT    NOT NULL CHECK (id <> ''),
    job         TEXT    NOT NULL,
    person      TEXT    NOT NULL,
    device      TEXT    NOT NULL, -- empty: none
    bearer      TEXT    NOT NULL, -- whose open uploads are counted together: the device, else the person
    purpose     TEXT    NOT NULL CHECK (purpose IN ('photo', 'trace')),
    entry       TEXT    NOT NULL,
    size        INTEGER NOT NULL CHECK (size >= 0),
    digest      BLOB    NOT NULL CHECK (length(digest) = 32),
    staged      INTEGER NOT NULL CHECK (staged BETWEEN 0 AND size), -- bytes before it are staged
    state       TEXT    NOT NULL CHECK (state IN ('receiving', 'stored', 'wrong')),
    create_time INTEGER NOT NULL,
    expire_time INTEGER NOT NULL,
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- CreateUpload: one open upload of the same bytes, and the number of open ones.
CREATE UNIQUE INDEX upload_open ON upload (org, bearer, job, digest) WHERE state = 'receiving';
-- ExpiredUploads, of all organisations.
CREATE INDEX upload_by_expiry ON upload (expire_time);

CREATE TABLE blob (
    org         TEXT    NOT NULL,
    job         TEXT    NOT NULL,
    digest      BLOB    NOT NULL CHECK (length(digest) = 32),
    purpose     TEXT    NOT NULL,
    size        INTEGER NOT NULL CHECK (size >= 0),
    media_type  TEXT    NOT NULL,
    key         TEXT    NOT NULL,
    version_id  TEXT    NOT NULL,
    create_time INTEGER NOT NULL,
    retention   TEXT    NOT NULL,
    examined    BLOB    NOT NULL, -- empty: not yet
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- ListBlobs of all jobs; BlobJobs.
CREATE INDEX blob_by_digest ON blob (org, digest, job);

CREATE TABLE examine (
    org          TEXT    NOT NULL,
    id           TEXT    NOT NULL CHECK (id <> ''),
    job          TEXT    NOT NULL,
    digest       BLOB    NOT NULL CHECK (length(digest) = 32),
    purpose      TEXT    NOT NULL,
    entry        TEXT    NOT NULL,
    subject      TEXT    NOT NULL,
    step         TEXT    NOT NULL,
    attempts     INTEGER NOT NULL CHECK (attempts >= 0),
    due_time     INTEGER NOT NULL, -- not before it; a lease moves it
    last_problem TEXT    NOT NULL,
    PRIMARY KEY (org, id),
    UNIQUE (org, job, digest, entry),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- TakeExamine, of all organisations.
CREATE INDEX examine_by_due ON examine (due_time, id);

CREATE TABLE outbox (
    org         TEXT    NOT NULL,
    id          TEXT    NOT NULL CHECK (id <> ''),
    job         TEXT, -- none for what is no job's, such as a calibration
    payload     BLOB    NOT NULL,
    create_time INTEGER NOT NULL,
    due_time    INTEGER NOT NULL, -- a lease moves it
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- TakeOutbox, of all organisations, oldest first.
CREATE INDEX outbox_oldest ON outbox (create_time, id);

CREATE TABLE retain (
    org        TEXT    NOT NULL,
    id         TEXT    NOT NULL CHECK (id <> ''),
    job        TEXT    NOT NULL,
    key        TEXT    NOT NULL,
    version_id TEXT    NOT NULL,
    until      INTEGER NOT NULL,
    digest     BLOB    NOT NULL CHECK (length(digest) = 32),
    attempts   INTEGER NOT NULL CHECK (attempts >= 0),
    due_time   INTEGER NOT NULL, -- not before it; a lease moves it
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- TakeRetain, of all organisations.
CREATE INDEX retain_by_due ON retain (due_time, id);

-- The last custody number of each organisation; no row before the first line.
CREATE TABLE custody_head (
    org TEXT    NOT NULL PRIMARY KEY REFERENCES organization (id),
    seq INTEGER NOT NULL CHECK (seq >= 1)
) STRICT;

-- Who read or tried what. Never changed.
CREATE TABLE custody (
    org     TEXT    NOT NULL REFERENCES organization (id),
    seq     INTEGER NOT NULL CHECK (seq >= 1),
    time    INTEGER NOT NULL,
    who     TEXT    NOT NULL,
    action  TEXT    NOT NULL,
    job     TEXT    NOT NULL, -- empty: about none, or about one that was never there
    subject TEXT    NOT NULL,
    detail  BLOB    NOT NULL,
    PRIMARY KEY (org, seq)
) STRICT;
-- ListCustody of one person.
CREATE INDEX custody_by_who ON custody (org, who, seq);
-- ListCustody of one job.
CREATE INDEX custody_by_job ON custody (org, job, seq);

CREATE TABLE photo_hash (
    org    TEXT    NOT NULL,
    job    TEXT    NOT NULL,
    digest BLOB    NOT NULL CHECK (length(digest) = 32),
    site   TEXT    NOT NULL,
    hash   BLOB    NOT NULL,
    time   INTEGER NOT NULL,
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- PhotoHashes of the organisation, newest first.
CREATE INDEX photo_hash_by_time ON photo_hash (org, time);
-- PhotoHashes of a site, newest first.
CREATE INDEX photo_hash_by_site ON photo_hash (org, site, time);

-- +goose StatementBegin
CREATE TRIGGER custody_refuses_update BEFORE UPDATE ON custody
BEGIN
    SELECT RAISE(ABORT, 'custody: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER custody_refuses_delete BEFORE DELETE ON custody
BEGIN
    SELECT RAISE(ABORT, 'custody: rows are never changed or deleted');
END;
-- +goose StatementEnd
