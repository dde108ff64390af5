-- Sources that bring files by themselves: one row each, changed in place.
CREATE TABLE source (
    name VARCHAR PRIMARY KEY,
    site_id VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    silent_after_s DOUBLE NOT NULL,
    described_at TIMESTAMPTZ NOT NULL,
    retired_at TIMESTAMPTZ,
    attempted_at TIMESTAMPTZ,
    succeeded_at TIMESTAMPTZ,
    failures INTEGER NOT NULL DEFAULT 0,
    retry_at TIMESTAMPTZ,
    error VARCHAR,
    note VARCHAR,
    validators JSON
);

-- Which imports came by which source; newest_utc is the newest reading that each brought.
CREATE TABLE source_import (
    source VARCHAR NOT NULL,
    import_id INTEGER NOT NULL,
    newest_utc TIMESTAMP,
    PRIMARY KEY (source, import_id)
);

-- Files that could not be taken, until their content is taken or the file is removed.
CREATE TABLE source_failed (
    source VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    content_hash VARCHAR NOT NULL,
    failed_at TIMESTAMPTZ NOT NULL,
    reason VARCHAR NOT NULL,
    PRIMARY KEY (source, file_name)
);

-- Files in hand: how often each was tried, written down before each try.
CREATE TABLE source_try (
    claim VARCHAR PRIMARY KEY,
    source VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    tries INTEGER NOT NULL,
    next_at TIMESTAMPTZ NOT NULL,
    reason VARCHAR NOT NULL
);

-- Files of a server that were fetched, as they looked then.
CREATE TABLE source_fetched (
    source VARCHAR NOT NULL,
    remote_name VARCHAR NOT NULL,
    size BIGINT NOT NULL,
    changed DOUBLE NOT NULL,
    PRIMARY KEY (source, remote_name)
);
