-- Stretches that both parties agree do not count. Append-only: withdrawing is a row too.
CREATE SEQUENCE exclusion_seq;
CREATE TABLE exclusion (
    exclusion_id INTEGER PRIMARY KEY DEFAULT nextval('exclusion_seq'),
    site_id VARCHAR NOT NULL,
    start_utc TIMESTAMP NOT NULL,
    end_utc TIMESTAMP NOT NULL,
    reason VARCHAR NOT NULL,
    entered_by VARCHAR NOT NULL,
    entered_at TIMESTAMPTZ NOT NULL
);
CREATE TABLE exclusion_withdrawn (
    exclusion_id INTEGER PRIMARY KEY,
    withdrawn_by VARCHAR NOT NULL,
    withdrawn_at TIMESTAMPTZ NOT NULL
);

-- Settlements with the record that each was computed from. Append-only.
CREATE SEQUENCE settlement_seq;
CREATE TABLE settlement (
    settlement_id INTEGER PRIMARY KEY DEFAULT nextval('settlement_seq'),
    site_id VARCHAR NOT NULL,
    settled_at TIMESTAMPTZ NOT NULL,
    input_hash VARCHAR NOT NULL,
    record JSON NOT NULL,
    document JSON NOT NULL
);

CREATE TABLE outlook (
    site_id VARCHAR PRIMARY KEY,
    document JSON NOT NULL
);
