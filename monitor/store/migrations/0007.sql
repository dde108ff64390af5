-- Findings over time: opened, still true, cleared, opened again. One row a site and kind.
CREATE SEQUENCE finding_seq;
CREATE TABLE finding (
    finding_id INTEGER PRIMARY KEY DEFAULT nextval('finding_seq'),
    site_id VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    opened_at TIMESTAMPTZ NOT NULL,
    seen_at TIMESTAMPTZ NOT NULL,
    cleared_at TIMESTAMPTZ,
    times_opened INTEGER NOT NULL,
    document JSON NOT NULL,
    UNIQUE (site_id, kind)
);

-- Append-only: who took note of a finding, when, and what they said. One that was cleared
-- and opened again wants to be looked at again.
CREATE TABLE finding_note (
    finding_id INTEGER NOT NULL,
    times_opened INTEGER NOT NULL,
    noted_by VARCHAR NOT NULL,
    noted_at TIMESTAMPTZ NOT NULL,
    note VARCHAR NOT NULL
);
