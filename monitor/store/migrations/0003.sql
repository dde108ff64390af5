-- Prices of named series, by quarter hour. Append-only: the newest import of a time holds.
CREATE SEQUENCE price_import_seq;
CREATE TABLE price_import (
    price_import_id INTEGER PRIMARY KEY DEFAULT nextval('price_import_seq'),
    series VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    content_hash VARCHAR NOT NULL,
    imported_at TIMESTAMPTZ NOT NULL,
    correction BOOLEAN NOT NULL,
    rows_read BIGINT NOT NULL,
    accepted BIGINT NOT NULL,
    duplicates BIGINT NOT NULL,
    conflicts BIGINT NOT NULL,
    rejected BIGINT NOT NULL,
    notes VARCHAR[] NOT NULL,
    CHECK (rows_read = accepted + duplicates + conflicts + rejected)
);

CREATE TABLE price (
    series VARCHAR NOT NULL,
    start_utc TIMESTAMP NOT NULL,
    price_per_kwh DOUBLE NOT NULL,
    price_import_id INTEGER NOT NULL
);

-- Rows that were not taken: unreadable, or at odds with a price that is on record.
CREATE TABLE price_quarantine (
    price_import_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    source_column VARCHAR NOT NULL,
    raw VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
