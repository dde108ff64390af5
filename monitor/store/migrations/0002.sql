-- People who may sign in. A homeowner's one site is in site_id; an installer has none.
CREATE SEQUENCE account_seq;
CREATE TABLE account (
    user_id INTEGER PRIMARY KEY DEFAULT nextval('account_seq'),
    email VARCHAR NOT NULL UNIQUE,
    name VARCHAR NOT NULL,
    role VARCHAR NOT NULL CHECK (role IN ('installer', 'homeowner')),
    site_id VARCHAR,
    password_hash VARCHAR NOT NULL,
    session_key VARCHAR NOT NULL,
    created_at TIMESTAMPTZ NOT NULL,
    CHECK ((role = 'homeowner') = (site_id IS NOT NULL))
);

-- Sessions that were signed out of before they ran out.
CREATE TABLE ended_session (
    session_id VARCHAR PRIMARY KEY,
    ended_at TIMESTAMPTZ NOT NULL
);

CREATE TABLE secret (
    name VARCHAR PRIMARY KEY,
    value VARCHAR NOT NULL
);
