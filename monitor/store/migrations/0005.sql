-- Daily outdoor temperatures of named places. Append-only: the newest import of a day holds.
CREATE SEQUENCE weather_import_seq;
CREATE TABLE weather_import (
    weather_import_id INTEGER PRIMARY KEY DEFAULT nextval('weather_import_seq'),
    series VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    content_hash VARCHAR NOT NULL,
    imported_at TIMESTAMPTZ NOT NULL,
    correction BOOLEAN NOT NULL,
    hours BIGINT NOT NULL,
    missing_hours BIGINT NOT NULL,
    wrong_lines BIGINT NOT NULL,
    short_days BIGINT NOT NULL,
    days BIGINT NOT NULL,
    accepted BIGINT NOT NULL,
    duplicates BIGINT NOT NULL,
    conflicts BIGINT NOT NULL,
    remarks VARCHAR[] NOT NULL,
    CHECK (days = accepted + duplicates + conflicts)
);

CREATE TABLE weather_day (
    series VARCHAR NOT NULL,
    day DATE NOT NULL,
    typical BOOLEAN NOT NULL,
    outdoor_c DOUBLE NOT NULL,
    weather_import_id INTEGER NOT NULL
);

-- The condition of the terms that an exclusion rests on, if any.
ALTER TABLE exclusion ADD COLUMN condition VARCHAR;

-- What was found out about a promise; `basis` is the hash of all that it was computed from
-- but the readings, `local_day` the site's day on which it was.
CREATE TABLE assessment (
    site_id VARCHAR PRIMARY KEY,
    basis VARCHAR NOT NULL,
    local_day DATE NOT NULL,
    document JSON NOT NULL
);
