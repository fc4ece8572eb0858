-- Organisations, what the office sets up, who may come in.
-- Times are milliseconds UTC, 0 for none; ids are text; documents are bytes.

-- +goose Up
CREATE TABLE organization (
    id          TEXT    NOT NULL PRIMARY KEY CHECK (id <> ''),
    title       TEXT    NOT NULL,
    settings    BLOB    NOT NULL,
    version     INTEGER NOT NULL CHECK (version >= 1),
    create_time INTEGER NOT NULL
) STRICT;

CREATE TABLE document (
    org         TEXT    NOT NULL REFERENCES organization (id),
    kind        TEXT    NOT NULL CHECK (kind <> ''),
    id          TEXT    NOT NULL CHECK (id <> ''),
    owner       TEXT    NOT NULL, -- empty: none
    body        BLOB    NOT NULL,
    version     INTEGER NOT NULL CHECK (version >= 1),
    create_time INTEGER NOT NULL,
    update_time INTEGER NOT NULL,
    PRIMARY KEY (org, kind, id)
) STRICT;
-- ListDocuments narrowed to an owner: a person's devices, a job's share links.
CREATE INDEX document_by_owner ON document (org, kind, owner, id);

-- What a request id made, so that a repeat returns it.
CREATE TABLE request (
    org        TEXT NOT NULL REFERENCES organization (id),
    scope      TEXT NOT NULL, -- "job", or a document's kind
    request_id TEXT NOT NULL CHECK (request_id <> ''),
    result_id  TEXT NOT NULL,
    PRIMARY KEY (org, scope, request_id)
) STRICT;

CREATE TABLE session (
    org         TEXT    NOT NULL REFERENCES organization (id),
    id          TEXT    NOT NULL CHECK (id <> ''),
    token_hash  BLOB    NOT NULL CHECK (length(token_hash) = 32),
    person      TEXT    NOT NULL, -- empty: a share link's
    device      TEXT    NOT NULL, -- empty: none
    share_link  TEXT    NOT NULL, -- empty: a person's
    create_time INTEGER NOT NULL,
    expire_time INTEGER NOT NULL, -- 0: does not expire by itself
    revoke_time INTEGER NOT NULL, -- 0: good
    PRIMARY KEY (org, id)
) STRICT;
-- SessionByToken, on every call, before the organisation is known.
CREATE UNIQUE INDEX session_by_token ON session (token_hash);
-- RevokeSessions of a person; of a device or a link is rare and reads all.
CREATE INDEX session_by_person ON session (org, person);

CREATE TABLE code (
    hash        BLOB    NOT NULL PRIMARY KEY CHECK (length(hash) = 32), -- found before the organisation is known
    org         TEXT    NOT NULL REFERENCES organization (id),
    person      TEXT    NOT NULL,
    expire_time INTEGER NOT NULL,
    use_time    INTEGER NOT NULL -- 0: unused
) STRICT;

CREATE TABLE device_key (
    org         TEXT    NOT NULL REFERENCES organization (id),
    key_id      TEXT    NOT NULL CHECK (key_id <> ''),
    device      TEXT    NOT NULL,
    person      TEXT    NOT NULL,
    spki        BLOB    NOT NULL,
    create_time INTEGER NOT NULL,
    revoke_time INTEGER NOT NULL, -- 0: good
    PRIMARY KEY (org, key_id)
) STRICT;
-- KeysOfDevice, RevokeKeys.
CREATE INDEX device_key_by_device ON device_key (org, device, create_time);

-- Counted tries. No organisation: a try may come before one is known.
CREATE TABLE attempt (
    key        TEXT    NOT NULL PRIMARY KEY,
    begin_time INTEGER NOT NULL,
    count      INTEGER NOT NULL CHECK (count >= 1)
) STRICT;
