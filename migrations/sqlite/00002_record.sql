-- Procedures, jobs, their lines, the organisation's log.

-- +goose Up
CREATE TABLE procedure (
    org         TEXT    NOT NULL REFERENCES organization (id),
    id          TEXT    NOT NULL CHECK (id <> ''),
    digest      BLOB    NOT NULL CHECK (length(digest) = 32),
    revision    TEXT    NOT NULL,
    title       TEXT    NOT NULL,
    document    BLOB    NOT NULL,
    create_time INTEGER NOT NULL,
    PRIMARY KEY (org, id, digest)
) STRICT;
-- ListProcedures of all ids; the newest of one.
CREATE INDEX procedure_newest ON procedure (org, create_time, id, digest);

CREATE TABLE job (
    org              TEXT    NOT NULL REFERENCES organization (id),
    id               TEXT    NOT NULL CHECK (id <> ''),
    title            TEXT    NOT NULL,
    site             TEXT    NOT NULL,
    site_title       TEXT    NOT NULL,
    zone             TEXT    NOT NULL,
    procedure        TEXT    NOT NULL,
    procedure_digest BLOB    NOT NULL,
    state            TEXT    NOT NULL CHECK (state IN ('open', 'finished', 'locked', 'ended')),
    day              TEXT    NOT NULL, -- YYYY-MM-DD, or empty
    follows          TEXT    NOT NULL, -- the job before, or empty
    create_time      INTEGER NOT NULL,
    lock_time        INTEGER NOT NULL, -- 0: not locked
    line_count       INTEGER NOT NULL CHECK (line_count >= 0),
    root             BLOB    NOT NULL CHECK (length(root) = 32),
    compact          BLOB    NOT NULL,
    addendum_count   INTEGER NOT NULL CHECK (addendum_count >= 0),
    addendum_root    BLOB    NOT NULL CHECK (length(addendum_root) = 32),
    addendum_compact BLOB    NOT NULL,
    addendum_sealed  INTEGER NOT NULL CHECK (addendum_sealed BETWEEN 0 AND addendum_count),
    contradicted     INTEGER NOT NULL CHECK (contradicted IN (0, 1)),
    refused_count    INTEGER NOT NULL CHECK (refused_count >= 0),
    refused_bytes    INTEGER NOT NULL CHECK (refused_bytes >= 0),
    log_index        INTEGER NOT NULL CHECK (log_index >= -1), -- -1: none
    names            BLOB    NOT NULL,
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, procedure, procedure_digest) REFERENCES procedure (org, id, digest),
    CHECK ((state IN ('locked', 'ended')) = (log_index >= 0)),
    CHECK (state IN ('locked', 'ended') OR addendum_count = 0)
) STRICT;
-- ListJobs, newest first.
CREATE INDEX job_newest ON job (org, create_time, id);
-- ListJobs of a site.
CREATE INDEX job_by_site ON job (org, site, create_time, id);
-- ListJobs of a day.
CREATE INDEX job_by_day ON job (org, day, create_time, id);

CREATE TABLE job_person (
    org    TEXT    NOT NULL,
    job    TEXT    NOT NULL,
    person TEXT    NOT NULL,
    place  INTEGER NOT NULL, -- order in which they were named
    PRIMARY KEY (org, job, person),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- ListJobs of a person: my jobs.
CREATE INDEX job_person_by_person ON job_person (org, person, job);

-- The lines of records and of addenda, as they were made. Never changed.
CREATE TABLE line (
    org            TEXT    NOT NULL,
    job            TEXT    NOT NULL,
    list           TEXT    NOT NULL CHECK (list IN ('record', 'addenda')),
    seq            INTEGER NOT NULL CHECK (seq >= 1),
    entry_id       TEXT    NOT NULL CHECK (entry_id <> ''),
    payload_digest BLOB    NOT NULL CHECK (length(payload_digest) = 32),
    device         TEXT    NOT NULL, -- empty: none
    counter        INTEGER NOT NULL CHECK (counter >= 0), -- 0: none
    line           BLOB    NOT NULL CHECK (length(line) > 0), -- the leaf: JSON without newline
    receive_time   INTEGER NOT NULL,
    PRIMARY KEY (org, job, list, seq),
    UNIQUE (org, entry_id), -- over both lists and all jobs
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- DeviceHead: the last counter of a device in a job.
CREATE INDEX line_by_device ON line (org, job, device, counter) WHERE device <> '';

CREATE TABLE refused (
    org          TEXT    NOT NULL,
    job          TEXT    NOT NULL,
    digest       BLOB    NOT NULL CHECK (length(digest) = 32),
    entry_id     TEXT    NOT NULL, -- empty where it could not be read
    payload      BLOB    NOT NULL,
    signature    BLOB    NOT NULL,
    key_id       TEXT    NOT NULL,
    reason       TEXT    NOT NULL,
    sentence     TEXT    NOT NULL,
    sender       TEXT    NOT NULL,
    device       TEXT    NOT NULL,
    counter      INTEGER NOT NULL,
    receive_time INTEGER NOT NULL,
    admitted_seq INTEGER NOT NULL CHECK (admitted_seq >= 0), -- 0: not admitted
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- ListRefused.
CREATE INDEX refused_by_time ON refused (org, job, receive_time, digest);
-- RefusedTotals, at each refusal.
CREATE INDEX refused_by_device ON refused (org, job, device);

CREATE TABLE unsent (
    org    TEXT    NOT NULL,
    job    TEXT    NOT NULL,
    device TEXT    NOT NULL,
    person TEXT    NOT NULL,
    count  INTEGER NOT NULL CHECK (count >= 0),
    time   INTEGER NOT NULL,
    PRIMARY KEY (org, job, device),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;

-- One row for each organisation; locked while a leaf is added.
CREATE TABLE log_head (
    org        TEXT    NOT NULL PRIMARY KEY REFERENCES organization (id),
    size       INTEGER NOT NULL CHECK (size >= 0),
    root       BLOB    NOT NULL CHECK (length(root) = 32),
    compact    BLOB    NOT NULL,
    checkpoint BLOB    NOT NULL
) STRICT;

CREATE TABLE log_leaf (
    org  TEXT    NOT NULL,
    idx  INTEGER NOT NULL CHECK (idx >= 0),
    leaf BLOB    NOT NULL CHECK (length(leaf) > 0),
    job  TEXT    NOT NULL,
    list TEXT    NOT NULL CHECK (list IN ('record', 'addenda')),
    PRIMARY KEY (org, idx),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
) STRICT;
-- LogLeaves of a job.
CREATE INDEX log_leaf_by_job ON log_leaf (org, job, idx);
-- A record is locked once.
CREATE UNIQUE INDEX log_leaf_locks_once ON log_leaf (org, job) WHERE list = 'record';

CREATE TABLE log_node (
    org   TEXT    NOT NULL REFERENCES log_head (org),
    level INTEGER NOT NULL CHECK (level BETWEEN 0 AND 63),
    idx   INTEGER NOT NULL CHECK (idx >= 0),
    hash  BLOB    NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (org, level, idx)
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER line_refuses_update BEFORE UPDATE ON line
BEGIN
    SELECT RAISE(ABORT, 'line: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER line_refuses_delete BEFORE DELETE ON line
BEGIN
    SELECT RAISE(ABORT, 'line: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER log_leaf_refuses_update BEFORE UPDATE ON log_leaf
BEGIN
    SELECT RAISE(ABORT, 'log_leaf: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER log_leaf_refuses_delete BEFORE DELETE ON log_leaf
BEGIN
    SELECT RAISE(ABORT, 'log_leaf: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER log_node_refuses_update BEFORE UPDATE ON log_node
BEGIN
    SELECT RAISE(ABORT, 'log_node: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER log_node_refuses_delete BEFORE DELETE ON log_node
BEGIN
    SELECT RAISE(ABORT, 'log_node: rows are never changed or deleted');
END;
-- +goose StatementEnd

-- A locked record stays as it was locked.
-- +goose StatementBegin
CREATE TRIGGER job_locked_stays BEFORE UPDATE OF state, line_count, root, names, log_index, lock_time ON job
WHEN OLD.state IN ('locked', 'ended') AND (NEW.state <> OLD.state OR NEW.line_count <> OLD.line_count
    OR NEW.root <> OLD.root OR NEW.names <> OLD.names OR NEW.log_index <> OLD.log_index OR NEW.lock_time <> OLD.lock_time)
BEGIN
    SELECT RAISE(ABORT, 'job: a locked record is never changed');
END;
-- +goose StatementEnd
-- A log grows by one leaf at a time.
-- +goose StatementBegin
CREATE TRIGGER log_head_grows BEFORE UPDATE ON log_head WHEN NEW.size <> OLD.size + 1
BEGIN
    SELECT RAISE(ABORT, 'log_head: a log grows by one leaf at a time');
END;
-- +goose StatementEnd
