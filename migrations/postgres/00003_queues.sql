-- Uploads, where blobs are, queues of work, custody, photo hashes.

-- +goose Up
CREATE TABLE upload (
    org         TEXT COLLATE "C" NOT NULL,
    id          TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    job         TEXT COLLATE "C" NOT NULL,
    person      TEXT COLLATE "C" NOT NULL,
    device      TEXT COLLATE "C" NOT NULL, -- empty: none
    bearer      TEXT COLLATE "C" NOT NULL, -- whose open uploads are counted together: the device, else the person
    purpose     TEXT COLLATE "C" NOT NULL CHECK (purpose IN ('photo', 'trace')),
    entry       TEXT COLLATE "C" NOT NULL,
    size        BIGINT  NOT NULL CHECK (size >= 0),
    digest      BYTEA   NOT NULL CHECK (length(digest) = 32),
    staged      BIGINT  NOT NULL CHECK (staged BETWEEN 0 AND size), -- bytes before it are staged
    state       TEXT COLLATE "C" NOT NULL CHECK (state IN ('receiving', 'stored', 'wrong')),
    create_time BIGINT  NOT NULL,
    expire_time BIGINT  NOT NULL,
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- CreateUpload: one open upload of the same bytes, and the number of open ones.
CREATE UNIQUE INDEX upload_open ON upload (org, bearer, job, digest) WHERE state = 'receiving';
-- ExpiredUploads, of all organisations.
CREATE INDEX upload_by_expiry ON upload (expire_time);

CREATE TABLE blob (
    org         TEXT COLLATE "C" NOT NULL,
    job         TEXT COLLATE "C" NOT NULL,
    digest      BYTEA   NOT NULL CHECK (length(digest) = 32),
    purpose     TEXT COLLATE "C" NOT NULL,
    size        BIGINT  NOT NULL CHECK (size >= 0),
    media_type  TEXT COLLATE "C" NOT NULL,
    key         TEXT COLLATE "C" NOT NULL,
    version_id  TEXT COLLATE "C" NOT NULL,
    create_time BIGINT  NOT NULL,
    retention   TEXT COLLATE "C" NOT NULL,
    examined    BYTEA   NOT NULL, -- empty: not yet
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- ListBlobs of all jobs; BlobJobs.
CREATE INDEX blob_by_digest ON blob (org, digest, job);

CREATE TABLE examine (
    org          TEXT COLLATE "C" NOT NULL,
    id           TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    job          TEXT COLLATE "C" NOT NULL,
    digest       BYTEA   NOT NULL CHECK (length(digest) = 32),
    purpose      TEXT COLLATE "C" NOT NULL,
    entry        TEXT COLLATE "C" NOT NULL,
    subject      TEXT COLLATE "C" NOT NULL,
    step         TEXT COLLATE "C" NOT NULL,
    attempts     BIGINT  NOT NULL CHECK (attempts >= 0),
    due_time     BIGINT  NOT NULL, -- not before it; a lease moves it
    last_problem TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (org, id),
    UNIQUE (org, job, digest, entry),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- TakeExamine, of all organisations.
CREATE INDEX examine_by_due ON examine (due_time, id);

CREATE TABLE outbox (
    org         TEXT COLLATE "C" NOT NULL,
    id          TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    job         TEXT COLLATE "C", -- none for what is no job's, such as a calibration
    payload     BYTEA   NOT NULL,
    create_time BIGINT  NOT NULL,
    due_time    BIGINT  NOT NULL, -- a lease moves it
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- TakeOutbox, of all organisations, oldest first.
CREATE INDEX outbox_oldest ON outbox (create_time, id);

CREATE TABLE retain (
    org        TEXT COLLATE "C" NOT NULL,
    id         TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    job        TEXT COLLATE "C" NOT NULL,
    key        TEXT COLLATE "C" NOT NULL,
    version_id TEXT COLLATE "C" NOT NULL,
    until      BIGINT  NOT NULL,
    digest     BYTEA   NOT NULL CHECK (length(digest) = 32),
    attempts   BIGINT  NOT NULL CHECK (attempts >= 0),
    due_time   BIGINT  NOT NULL, -- not before it; a lease moves it
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- TakeRetain, of all organisations.
CREATE INDEX retain_by_due ON retain (due_time, id);

-- The last custody number of each organisation; no row before the first line.
CREATE TABLE custody_head (
    org TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES organization (id),
    seq BIGINT  NOT NULL CHECK (seq >= 1)
);

-- Who read or tried what. Never changed.
CREATE TABLE custody (
    org     TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    seq     BIGINT  NOT NULL CHECK (seq >= 1),
    time    BIGINT  NOT NULL,
    who     TEXT COLLATE "C" NOT NULL,
    action  TEXT COLLATE "C" NOT NULL,
    job     TEXT COLLATE "C" NOT NULL, -- empty: about none, or about one that was never there
    subject TEXT COLLATE "C" NOT NULL,
    detail  BYTEA   NOT NULL,
    PRIMARY KEY (org, seq)
);
-- ListCustody of one person.
CREATE INDEX custody_by_who ON custody (org, who, seq);
-- ListCustody of one job.
CREATE INDEX custody_by_job ON custody (org, job, seq);

CREATE TABLE photo_hash (
    org    TEXT COLLATE "C" NOT NULL,
    job    TEXT COLLATE "C" NOT NULL,
    digest BYTEA   NOT NULL CHECK (length(digest) = 32),
    site   TEXT COLLATE "C" NOT NULL,
    hash   BYTEA   NOT NULL,
    time   BIGINT  NOT NULL,
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- PhotoHashes of the organisation, newest first.
CREATE INDEX photo_hash_by_time ON photo_hash (org, time);
-- PhotoHashes of a site, newest first.
CREATE INDEX photo_hash_by_site ON photo_hash (org, site, time);


CREATE TRIGGER custody_refuses_change BEFORE UPDATE OR DELETE ON custody FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER custody_refuses_truncate BEFORE TRUNCATE ON custody FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- A transaction sees the rows of the organisation that it has set, nobody else's,
-- and nothing while none is set. The tables' owner is held to it too.
ALTER TABLE upload ENABLE ROW LEVEL SECURITY;
ALTER TABLE upload FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON upload USING (org = current_setting('app.organization', true));
-- The sweeper looks for what is past its time in every organisation.
CREATE POLICY across ON upload FOR SELECT USING (current_setting('app.across', true) = 'upload');
ALTER TABLE blob ENABLE ROW LEVEL SECURITY;
ALTER TABLE blob FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON blob USING (org = current_setting('app.organization', true));
ALTER TABLE examine ENABLE ROW LEVEL SECURITY;
ALTER TABLE examine FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON examine USING (org = current_setting('app.organization', true));
-- Workers count and lease due items of every organisation.
CREATE POLICY across_select ON examine FOR SELECT USING (current_setting('app.across', true) = 'examine');
CREATE POLICY across_update ON examine FOR UPDATE USING (current_setting('app.across', true) = 'examine');
ALTER TABLE outbox ENABLE ROW LEVEL SECURITY;
ALTER TABLE outbox FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON outbox USING (org = current_setting('app.organization', true));
-- Workers count and lease due items of every organisation.
CREATE POLICY across_select ON outbox FOR SELECT USING (current_setting('app.across', true) = 'outbox');
CREATE POLICY across_update ON outbox FOR UPDATE USING (current_setting('app.across', true) = 'outbox');
ALTER TABLE retain ENABLE ROW LEVEL SECURITY;
ALTER TABLE retain FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON retain USING (org = current_setting('app.organization', true));
-- Workers count and lease due items of every organisation.
CREATE POLICY across_select ON retain FOR SELECT USING (current_setting('app.across', true) = 'retain');
CREATE POLICY across_update ON retain FOR UPDATE USING (current_setting('app.across', true) = 'retain');
ALTER TABLE custody_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE custody_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON custody_head USING (org = current_setting('app.organization', true));
ALTER TABLE custody ENABLE ROW LEVEL SECURITY;
ALTER TABLE custody FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON custody USING (org = current_setting('app.organization', true));
ALTER TABLE photo_hash ENABLE ROW LEVEL SECURITY;
ALTER TABLE photo_hash FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON photo_hash USING (org = current_setting('app.organization', true));
