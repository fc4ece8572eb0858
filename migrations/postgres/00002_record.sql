-- Procedures, jobs, their lines, the organisation's log.

-- +goose Up
CREATE TABLE procedure (
    org         TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    id          TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    digest      BYTEA   NOT NULL CHECK (length(digest) = 32),
    revision    TEXT COLLATE "C" NOT NULL,
    title       TEXT COLLATE "C" NOT NULL,
    document    BYTEA   NOT NULL,
    create_time BIGINT  NOT NULL,
    PRIMARY KEY (org, id, digest)
);
-- ListProcedures of all ids; the newest of one.
CREATE INDEX procedure_newest ON procedure (org, create_time, id, digest);

CREATE TABLE job (
    org              TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    id               TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    title            TEXT COLLATE "C" NOT NULL,
    site             TEXT COLLATE "C" NOT NULL,
    site_title       TEXT COLLATE "C" NOT NULL,
    zone             TEXT COLLATE "C" NOT NULL,
    procedure        TEXT COLLATE "C" NOT NULL,
    procedure_digest BYTEA   NOT NULL,
    state            TEXT COLLATE "C" NOT NULL CHECK (state IN ('open', 'finished', 'locked', 'ended')),
    day              TEXT COLLATE "C" NOT NULL, -- YYYY-MM-DD, or empty
    follows          TEXT COLLATE "C" NOT NULL, -- the job before, or empty
    create_time      BIGINT  NOT NULL,
    lock_time        BIGINT  NOT NULL, -- 0: not locked
    line_count       BIGINT  NOT NULL CHECK (line_count >= 0),
    root             BYTEA   NOT NULL CHECK (length(root) = 32),
    compact          BYTEA   NOT NULL,
    addendum_count   BIGINT  NOT NULL CHECK (addendum_count >= 0),
    addendum_root    BYTEA   NOT NULL CHECK (length(addendum_root) = 32),
    addendum_compact BYTEA   NOT NULL,
    addendum_sealed  BIGINT  NOT NULL CHECK (addendum_sealed BETWEEN 0 AND addendum_count),
    contradicted     BIGINT  NOT NULL CHECK (contradicted IN (0, 1)),
    refused_count    BIGINT  NOT NULL CHECK (refused_count >= 0),
    refused_bytes    BIGINT  NOT NULL CHECK (refused_bytes >= 0),
    log_index        BIGINT  NOT NULL CHECK (log_index >= -1), -- -1: none
    names            BYTEA   NOT NULL,
    PRIMARY KEY (org, id),
    FOREIGN KEY (org, procedure, procedure_digest) REFERENCES procedure (org, id, digest),
    CHECK ((state IN ('locked', 'ended')) = (log_index >= 0)),
    CHECK (state IN ('locked', 'ended') OR addendum_count = 0)
);
-- ListJobs, newest first.
CREATE INDEX job_newest ON job (org, create_time, id);
-- ListJobs of a site.
CREATE INDEX job_by_site ON job (org, site, create_time, id);
-- ListJobs of a day.
CREATE INDEX job_by_day ON job (org, day, create_time, id);

CREATE TABLE job_person (
    org    TEXT COLLATE "C" NOT NULL,
    job    TEXT COLLATE "C" NOT NULL,
    person TEXT COLLATE "C" NOT NULL,
    place  BIGINT  NOT NULL, -- order in which they were named
    PRIMARY KEY (org, job, person),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- ListJobs of a person: my jobs.
CREATE INDEX job_person_by_person ON job_person (org, person, job);

-- The lines of records and of addenda, as they were made. Never changed.
CREATE TABLE line (
    org            TEXT COLLATE "C" NOT NULL,
    job            TEXT COLLATE "C" NOT NULL,
    list           TEXT COLLATE "C" NOT NULL CHECK (list IN ('record', 'addenda')),
    seq            BIGINT  NOT NULL CHECK (seq >= 1),
    entry_id       TEXT COLLATE "C" NOT NULL CHECK (entry_id <> ''),
    payload_digest BYTEA   NOT NULL CHECK (length(payload_digest) = 32),
    device         TEXT COLLATE "C" NOT NULL, -- empty: none
    counter        BIGINT  NOT NULL CHECK (counter >= 0), -- 0: none
    line           BYTEA   NOT NULL CHECK (length(line) > 0), -- the leaf: JSON without newline
    receive_time   BIGINT  NOT NULL,
    PRIMARY KEY (org, job, list, seq),
    UNIQUE (org, entry_id), -- over both lists and all jobs
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- DeviceHead: the last counter of a device in a job.
CREATE INDEX line_by_device ON line (org, job, device, counter) WHERE device <> '';

CREATE TABLE refused (
    org          TEXT COLLATE "C" NOT NULL,
    job          TEXT COLLATE "C" NOT NULL,
    digest       BYTEA   NOT NULL CHECK (length(digest) = 32),
    entry_id     TEXT COLLATE "C" NOT NULL, -- empty where it could not be read
    payload      BYTEA   NOT NULL,
    signature    BYTEA   NOT NULL,
    key_id       TEXT COLLATE "C" NOT NULL,
    reason       TEXT COLLATE "C" NOT NULL,
    sentence     TEXT COLLATE "C" NOT NULL,
    sender       TEXT COLLATE "C" NOT NULL,
    device       TEXT COLLATE "C" NOT NULL,
    counter      BIGINT  NOT NULL,
    receive_time BIGINT  NOT NULL,
    admitted_seq BIGINT  NOT NULL CHECK (admitted_seq >= 0), -- 0: not admitted
    PRIMARY KEY (org, job, digest),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- ListRefused.
CREATE INDEX refused_by_time ON refused (org, job, receive_time, digest);
-- RefusedTotals, at each refusal.
CREATE INDEX refused_by_device ON refused (org, job, device);

CREATE TABLE unsent (
    org    TEXT COLLATE "C" NOT NULL,
    job    TEXT COLLATE "C" NOT NULL,
    device TEXT COLLATE "C" NOT NULL,
    person TEXT COLLATE "C" NOT NULL,
    count  BIGINT  NOT NULL CHECK (count >= 0),
    time   BIGINT  NOT NULL,
    PRIMARY KEY (org, job, device),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);

-- One row for each organisation; locked while a leaf is added.
CREATE TABLE log_head (
    org        TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES organization (id),
    size       BIGINT  NOT NULL CHECK (size >= 0),
    root       BYTEA   NOT NULL CHECK (length(root) = 32),
    compact    BYTEA   NOT NULL,
    checkpoint BYTEA   NOT NULL
);

CREATE TABLE log_leaf (
    org  TEXT COLLATE "C" NOT NULL,
    idx  BIGINT  NOT NULL CHECK (idx >= 0),
    leaf BYTEA   NOT NULL CHECK (length(leaf) > 0),
    job  TEXT COLLATE "C" NOT NULL,
    list TEXT COLLATE "C" NOT NULL CHECK (list IN ('record', 'addenda')),
    PRIMARY KEY (org, idx),
    FOREIGN KEY (org, job) REFERENCES job (org, id)
);
-- LogLeaves of a job.
CREATE INDEX log_leaf_by_job ON log_leaf (org, job, idx);
-- A record is locked once.
CREATE UNIQUE INDEX log_leaf_locks_once ON log_leaf (org, job) WHERE list = 'record';

CREATE TABLE log_node (
    org   TEXT COLLATE "C" NOT NULL REFERENCES log_head (org),
    level BIGINT  NOT NULL CHECK (level BETWEEN 0 AND 63),
    idx   BIGINT  NOT NULL CHECK (idx >= 0),
    hash  BYTEA   NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (org, level, idx)
);


-- +goose StatementBegin
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '%: rows are never changed or deleted', TG_TABLE_NAME;
END $$;
-- +goose StatementEnd

CREATE TRIGGER line_refuses_change BEFORE UPDATE OR DELETE ON line FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER line_refuses_truncate BEFORE TRUNCATE ON line FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TRIGGER log_leaf_refuses_change BEFORE UPDATE OR DELETE ON log_leaf FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_leaf_refuses_truncate BEFORE TRUNCATE ON log_leaf FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TRIGGER log_node_refuses_change BEFORE UPDATE OR DELETE ON log_node FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_node_refuses_truncate BEFORE TRUNCATE ON log_node FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- A locked record stays as it was locked.
-- +goose StatementBegin
CREATE FUNCTION refuse_locked_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'job: a locked record is never changed';
END $$;
-- +goose StatementEnd
CREATE TRIGGER job_locked_stays BEFORE UPDATE OF state, line_count, root, names, log_index, lock_time ON job FOR EACH ROW
WHEN (OLD.state IN ('locked', 'ended') AND (NEW.state <> OLD.state OR NEW.line_count <> OLD.line_count
    OR NEW.root <> OLD.root OR NEW.names <> OLD.names OR NEW.log_index <> OLD.log_index OR NEW.lock_time <> OLD.lock_time))
EXECUTE FUNCTION refuse_locked_change();

-- A log grows by one leaf at a time.
-- +goose StatementBegin
CREATE FUNCTION refuse_log_jump() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'log_head: a log grows by one leaf at a time';
END $$;
-- +goose StatementEnd
CREATE TRIGGER log_head_grows BEFORE UPDATE ON log_head FOR EACH ROW
WHEN (NEW.size <> OLD.size + 1) EXECUTE FUNCTION refuse_log_jump();

-- A transaction sees the rows of the organisation that it has set, nobody else's,
-- and nothing while none is set. The tables' owner is held to it too.
ALTER TABLE procedure ENABLE ROW LEVEL SECURITY;
ALTER TABLE procedure FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON procedure USING (org = current_setting('app.organization', true));
ALTER TABLE job ENABLE ROW LEVEL SECURITY;
ALTER TABLE job FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON job USING (org = current_setting('app.organization', true));
ALTER TABLE job_person ENABLE ROW LEVEL SECURITY;
ALTER TABLE job_person FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON job_person USING (org = current_setting('app.organization', true));
ALTER TABLE line ENABLE ROW LEVEL SECURITY;
ALTER TABLE line FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON line USING (org = current_setting('app.organization', true));
ALTER TABLE refused ENABLE ROW LEVEL SECURITY;
ALTER TABLE refused FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON refused USING (org = current_setting('app.organization', true));
ALTER TABLE unsent ENABLE ROW LEVEL SECURITY;
ALTER TABLE unsent FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON unsent USING (org = current_setting('app.organization', true));
ALTER TABLE log_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE log_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_head USING (org = current_setting('app.organization', true));
ALTER TABLE log_leaf ENABLE ROW LEVEL SECURITY;
ALTER TABLE log_leaf FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_leaf USING (org = current_setting('app.organization', true));
ALTER TABLE log_node ENABLE ROW LEVEL SECURITY;
ALTER TABLE log_node FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_node USING (org = current_setting('app.organization', true));
