-- Organisations, what the office sets up, who may come in.
-- Times are milliseconds UTC, 0 for none; ids are text; documents are bytes. Text sorts by
-- its bytes (COLLATE "C"), as in the embedded store and in the program.

-- +goose Up
CREATE TABLE organization (
    id          TEXT COLLATE "C" NOT NULL PRIMARY KEY CHECK (id <> ''),
    title       TEXT COLLATE "C" NOT NULL,
    settings    BYTEA   NOT NULL,
    version     BIGINT  NOT NULL CHECK (version >= 1),
    create_time BIGINT  NOT NULL
);

CREATE TABLE document (
    org         TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    kind        TEXT COLLATE "C" NOT NULL CHECK (kind <> ''),
    id          TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    owner       TEXT COLLATE "C" NOT NULL, -- empty: none
    body        BYTEA   NOT NULL,
    version     BIGINT  NOT NULL CHECK (version >= 1),
    create_time BIGINT  NOT NULL,
    update_time BIGINT  NOT NULL,
    PRIMARY KEY (org, kind, id)
);
-- ListDocuments narrowed to an owner: a person's devices, a job's share links.
CREATE INDEX document_by_owner ON document (org, kind, owner, id);

-- What a request id made, so that a repeat returns it.
CREATE TABLE request (
    org        TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    scope      TEXT COLLATE "C" NOT NULL, -- "job", or a document's kind
    request_id TEXT COLLATE "C" NOT NULL CHECK (request_id <> ''),
    result_id  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (org, scope, request_id)
);

CREATE TABLE session (
    org         TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    id          TEXT COLLATE "C" NOT NULL CHECK (id <> ''),
    token_hash  BYTEA   NOT NULL CHECK (length(token_hash) = 32),
    person      TEXT COLLATE "C" NOT NULL, -- empty: a share link's
    device      TEXT COLLATE "C" NOT NULL, -- empty: none
    share_link  TEXT COLLATE "C" NOT NULL, -- empty: a person's
    create_time BIGINT  NOT NULL,
    expire_time BIGINT  NOT NULL, -- 0: does not expire by itself
    revoke_time BIGINT  NOT NULL, -- 0: good
    PRIMARY KEY (org, id)
);
-- SessionByToken, on every call, before the organisation is known.
CREATE UNIQUE INDEX session_by_token ON session (token_hash);
-- RevokeSessions of a person; of a device or a link is rare and reads all.
CREATE INDEX session_by_person ON session (org, person);

CREATE TABLE code (
    hash        BYTEA   NOT NULL PRIMARY KEY CHECK (length(hash) = 32), -- found before the organisation is known
    org         TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    person      TEXT COLLATE "C" NOT NULL,
    expire_time BIGINT  NOT NULL,
    use_time    BIGINT  NOT NULL -- 0: unused
);

CREATE TABLE device_key (
    org         TEXT COLLATE "C" NOT NULL REFERENCES organization (id),
    key_id      TEXT COLLATE "C" NOT NULL CHECK (key_id <> ''),
    device      TEXT COLLATE "C" NOT NULL,
    person      TEXT COLLATE "C" NOT NULL,
    spki        BYTEA   NOT NULL,
    create_time BIGINT  NOT NULL,
    revoke_time BIGINT  NOT NULL, -- 0: good
    PRIMARY KEY (org, key_id)
);
-- KeysOfDevice, RevokeKeys.
CREATE INDEX device_key_by_device ON device_key (org, device, create_time);

-- Counted tries. No organisation: a try may come before one is known.
CREATE TABLE attempt (
    key        TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    begin_time BIGINT  NOT NULL,
    count      BIGINT  NOT NULL CHECK (count >= 1)
);

-- A transaction sees the rows of the organisation that it has set, nobody else's,
-- and nothing while none is set. The tables' owner is held to it too.
ALTER TABLE organization ENABLE ROW LEVEL SECURITY;
ALTER TABLE organization FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON organization USING (id = current_setting('app.organization', true));
-- Workers and doctor list the organisations.
CREATE POLICY across ON organization FOR SELECT USING (current_setting('app.across', true) = 'organization');
ALTER TABLE document ENABLE ROW LEVEL SECURITY;
ALTER TABLE document FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON document USING (org = current_setting('app.organization', true));
ALTER TABLE request ENABLE ROW LEVEL SECURITY;
ALTER TABLE request FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON request USING (org = current_setting('app.organization', true));
ALTER TABLE session ENABLE ROW LEVEL SECURITY;
ALTER TABLE session FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON session USING (org = current_setting('app.organization', true));
-- Who holds a token finds its session before the organisation is known.
CREATE POLICY named ON session FOR SELECT USING ('session:' || encode(token_hash, 'hex') = current_setting('app.lookup', true));
ALTER TABLE code ENABLE ROW LEVEL SECURITY;
ALTER TABLE code FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON code USING (org = current_setting('app.organization', true));
-- Who holds a code finds and uses it before the organisation is known.
CREATE POLICY named_select ON code FOR SELECT USING ('code:' || encode(hash, 'hex') = current_setting('app.lookup', true));
CREATE POLICY named_update ON code FOR UPDATE USING ('code:' || encode(hash, 'hex') = current_setting('app.lookup', true));
ALTER TABLE device_key ENABLE ROW LEVEL SECURITY;
ALTER TABLE device_key FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON device_key USING (org = current_setting('app.organization', true));
ALTER TABLE attempt ENABLE ROW LEVEL SECURITY;
ALTER TABLE attempt FORCE ROW LEVEL SECURITY;
-- One counter is seen by who names it.
CREATE POLICY named ON attempt USING ('attempt:' || key = current_setting('app.lookup', true));
-- Workers forget those that are over.
CREATE POLICY across_select ON attempt FOR SELECT USING (current_setting('app.across', true) = 'attempt');
CREATE POLICY across_delete ON attempt FOR DELETE USING (current_setting('app.across', true) = 'attempt');
