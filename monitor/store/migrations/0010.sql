-- People with roles and what they may see: every site, those of a team, or a stated set.
CREATE TABLE account_with_scope (
    user_id INTEGER PRIMARY KEY DEFAULT nextval('account_seq'),
    email VARCHAR NOT NULL UNIQUE,
    name VARCHAR NOT NULL,
    role VARCHAR NOT NULL CHECK (role IN ('installer', 'warranty', 'homeowner', 'administrator')),
    everywhere BOOLEAN NOT NULL,
    team VARCHAR,
    password_hash VARCHAR NOT NULL,
    session_key VARCHAR NOT NULL,
    created_at TIMESTAMPTZ NOT NULL,
    failures INTEGER NOT NULL DEFAULT 0,
    locked_at TIMESTAMPTZ,
    CHECK (NOT everywhere OR role IN ('installer', 'warranty')),
    CHECK (team IS NULL OR (NOT everywhere AND role IN ('installer', 'warranty')))
);
CREATE TABLE account_site (
    user_id INTEGER NOT NULL,
    site_id VARCHAR NOT NULL,
    PRIMARY KEY (user_id, site_id)
);
INSERT INTO account_with_scope
    SELECT user_id, email, name, role, role = 'installer', NULL, password_hash, session_key,
        created_at, 0, NULL
    FROM account;
INSERT INTO account_site SELECT user_id, site_id FROM account WHERE site_id IS NOT NULL;
DROP TABLE account;
ALTER TABLE account_with_scope RENAME TO account;

-- Links that let a person choose a password. Only the hash of a token is kept; a row goes
-- once its link is used, withdrawn or too old. user_id is set where the account exists already.
CREATE SEQUENCE invitation_seq;
CREATE TABLE invitation (
    invitation_id INTEGER PRIMARY KEY DEFAULT nextval('invitation_seq'),
    token_hash VARCHAR NOT NULL UNIQUE,
    email VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    everywhere BOOLEAN NOT NULL,
    team VARCHAR,
    sites VARCHAR NOT NULL,
    user_id INTEGER,
    invited_by INTEGER,
    created_at TIMESTAMPTZ NOT NULL,
    expires_at TIMESTAMPTZ NOT NULL
);

-- Who looked at or changed what. Append-only; each row carries the SHA-256 of the one before
-- and of its own content. It holds numbers of people and ids of sites, never a name.
CREATE TABLE audit (
    number BIGINT PRIMARY KEY,
    at_utc TIMESTAMP NOT NULL,
    by_kind VARCHAR NOT NULL,
    by_person INTEGER,
    action VARCHAR NOT NULL,
    site_id VARCHAR,
    person INTEGER,
    detail VARCHAR NOT NULL,
    previous VARCHAR NOT NULL,
    hash VARCHAR NOT NULL
);
-- The end of the chain, so that rows taken off its end are missed.
CREATE TABLE audit_head (number BIGINT NOT NULL, hash VARCHAR NOT NULL);
INSERT INTO audit_head VALUES (0, repeat('0', 64));

-- What a transaction has done, written inside it; chained right after it is committed.
CREATE SEQUENCE audit_pending_seq;
CREATE TABLE audit_pending (
    pending_id BIGINT NOT NULL DEFAULT nextval('audit_pending_seq'),
    at_utc TIMESTAMP NOT NULL,
    by_kind VARCHAR NOT NULL,
    by_person INTEGER,
    action VARCHAR NOT NULL,
    site_id VARCHAR,
    person INTEGER,
    detail VARCHAR NOT NULL
);
