-- Sites are kept as the validated document that a person wrote, one row a version.
CREATE SEQUENCE site_version_seq;
CREATE TABLE site_version (
    version_id INTEGER PRIMARY KEY DEFAULT nextval('site_version_seq'),
    site_id VARCHAR NOT NULL,
    document JSON NOT NULL,
    recorded_at TIMESTAMPTZ NOT NULL
);

CREATE SEQUENCE channel_seq;
CREATE TABLE channel (
    channel_id INTEGER PRIMARY KEY DEFAULT nextval('channel_seq'),
    site_id VARCHAR NOT NULL,
    serial VARCHAR NOT NULL,
    occurrence INTEGER NOT NULL,
    role VARCHAR NOT NULL,
    UNIQUE (site_id, serial, occurrence, role)
);

CREATE SEQUENCE import_seq;
CREATE TABLE import (
    import_id INTEGER PRIMARY KEY DEFAULT nextval('import_seq'),
    site_id VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    content_hash VARCHAR NOT NULL,
    profile_hash VARCHAR NOT NULL,
    profile_name VARCHAR NOT NULL,
    imported_at TIMESTAMPTZ NOT NULL,
    correction BOOLEAN NOT NULL,
    lines BIGINT NOT NULL,
    blank BIGINT NOT NULL,
    rows_read BIGINT NOT NULL,
    accepted BIGINT NOT NULL,
    duplicates BIGINT NOT NULL,
    conflicts BIGINT NOT NULL,
    quarantined BIGINT NOT NULL,
    notes VARCHAR[] NOT NULL,
    CHECK (rows_read = accepted + duplicates + conflicts + quarantined),
    UNIQUE (site_id, content_hash, profile_hash)
);

-- Append-only: no statement of the project updates or deletes a reading.
CREATE TABLE reading (
    channel_id INTEGER NOT NULL,
    t_utc TIMESTAMP NOT NULL,
    duration_s INTEGER,
    value DOUBLE NOT NULL,
    import_id INTEGER NOT NULL,
    line INTEGER NOT NULL
);

-- Times of a channel at which imports disagree; settled_by is the correcting import.
CREATE TABLE contested (
    channel_id INTEGER NOT NULL,
    t_utc TIMESTAMP NOT NULL,
    settled_by INTEGER,
    PRIMARY KEY (channel_id, t_utc)
);

CREATE TABLE quarantine (
    import_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    source_column VARCHAR NOT NULL,
    raw VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);

-- Derived: rebuilt per site from the first changed hour on.
CREATE TABLE changed (
    site_id VARCHAR PRIMARY KEY,
    since_utc TIMESTAMP NOT NULL
);
CREATE TABLE slot (
    site_id VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    slot_start_utc TIMESTAMP NOT NULL,
    status VARCHAR NOT NULL,
    kwh DOUBLE,
    block_start_utc TIMESTAMP NOT NULL,
    block_end_utc TIMESTAMP NOT NULL,
    block_kwh DOUBLE NOT NULL,
    u_start_kwh DOUBLE NOT NULL,
    u_end_kwh DOUBLE NOT NULL
);
CREATE TABLE state_slot (
    site_id VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    slot_start_utc TIMESTAMP NOT NULL,
    mean DOUBLE NOT NULL,
    covered DOUBLE NOT NULL
);
CREATE TABLE suspect (
    site_id VARCHAR NOT NULL,
    channel_id INTEGER NOT NULL,
    t_utc TIMESTAMP NOT NULL,
    value DOUBLE NOT NULL,
    reason VARCHAR NOT NULL
);
CREATE TABLE standing (
    site_id VARCHAR PRIMARY KEY,
    document JSON NOT NULL
);
