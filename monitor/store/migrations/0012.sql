-- Claims on a promise, and everything that happens to one. Both are append-only.
CREATE SEQUENCE claim_seq;
CREATE TABLE claim (
    claim_id INTEGER PRIMARY KEY,
    site_id VARCHAR NOT NULL,
    raised_at TIMESTAMPTZ NOT NULL
);

CREATE SEQUENCE claim_step_seq;
CREATE TABLE claim_step (
    step_id INTEGER PRIMARY KEY,
    claim_id INTEGER NOT NULL,
    taken_at TIMESTAMPTZ NOT NULL,
    user_id INTEGER NOT NULL,
    as_role VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    said VARCHAR NOT NULL,
    document JSON
);
