-- The fleet, flat: what its page shows and sorts by, one row a site. Written with the documents
-- that it comes from, in the same transactions; the views say what that is.
CREATE TABLE fleet (
    site_id VARCHAR PRIMARY KEY,
    name VARCHAR,
    place VARCHAR,
    commissioned DATE,
    unit_model VARCHAR,
    designer VARCHAR,
    team VARCHAR,
    sought VARCHAR,
    word VARCHAR,
    why VARCHAR,
    promise DOUBLE,
    boundary VARCHAR,
    period_start DATE,
    period_end DATE,
    days_left INTEGER,
    spf DOUBLE,
    u_spf DOUBLE,
    low DOUBLE,
    high DOUBLE,
    coverage DOUBLE,
    heat_kwh DOUBLE,
    electricity_kwh DOUBLE,
    deciding_spf DOUBLE,
    probability DOUBLE,
    settlement VARCHAR,
    extra_cost DOUBLE,
    currency VARCHAR,
    newest_reading TIMESTAMPTZ,
    computed_at TIMESTAMPTZ,
    ahead_promise DOUBLE,
    ahead_end DATE,
    ahead_low DOUBLE,
    ahead_high DOUBLE,
    ahead_probability DOUBLE,
    -- SPF of 30 days each, a fortnight apart, the newest last; nothing between two commas
    -- where too little is known. trend_end is the day after the newest.
    trend VARCHAR,
    trend_end DATE
);

-- Findings that are open. No key: a site's rows are replaced as a whole.
CREATE TABLE fleet_finding (
    finding_id INTEGER NOT NULL,
    site_id VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    times_opened INTEGER NOT NULL,
    opened_at TIMESTAMPTZ NOT NULL,
    topic VARCHAR NOT NULL,
    confidence VARCHAR NOT NULL,
    title VARCHAR NOT NULL,
    todo VARCHAR,
    -- As Finding.urgency: people, data, meters, all else; then what costs most.
    rank INTEGER NOT NULL,
    cost DOUBLE NOT NULL,
    spf DOUBLE,
    kwh_year DOUBLE,
    money_year DOUBLE,
    currency VARCHAR
);

CREATE VIEW fleet_site_now AS
SELECT site_id,
    json_extract_string(document, '$.name') AS name,
    coalesce(json_extract_string(document, '$.place'), '') AS place,
    TRY_CAST(json_extract_string(document, '$.commissioned') AS DATE) AS commissioned,
    coalesce(json_extract_string(document, '$.heat_pump.model'), '') AS unit_model,
    coalesce(json_extract_string(document, '$.designer'), '') AS designer,
    coalesce(json_extract_string(document, '$.installer_team'), '') AS team,
    strip_accents(lower(concat_ws(' ', site_id, json_extract_string(document, '$.name'),
        json_extract_string(document, '$.place'),
        json_extract_string(document, '$.heat_pump.model'),
        json_extract_string(document, '$.designer'),
        json_extract_string(document, '$.installer_team')))) AS sought
FROM (SELECT site_id, arg_max(document, version_id) AS document
      FROM site_version GROUP BY site_id);

CREATE VIEW fleet_standing_now AS
SELECT site_id,
    json_extract_string(document, '$.word') AS word,
    json_extract_string(document, '$.why') AS why,
    TRY_CAST(json_extract_string(document, '$.promise') AS DOUBLE) AS promise,
    json_extract_string(document, '$.boundary') AS boundary,
    TRY_CAST(json_extract_string(document, '$.period_start') AS DATE) AS period_start,
    TRY_CAST(json_extract_string(document, '$.period_end') AS DATE) AS period_end,
    TRY_CAST(json_extract_string(document, '$.days_left') AS INTEGER) AS days_left,
    TRY_CAST(json_extract_string(document, '$.account.spf') AS DOUBLE) AS spf,
    TRY_CAST(json_extract_string(document, '$.account.u_spf') AS DOUBLE) AS u_spf,
    TRY_CAST(json_extract_string(document, '$.low') AS DOUBLE) AS low,
    TRY_CAST(json_extract_string(document, '$.high') AS DOUBLE) AS high,
    TRY_CAST(json_extract_string(document, '$.account.coverage') AS DOUBLE) AS coverage,
    TRY_CAST(json_extract_string(document, '$.account.heat_kwh') AS DOUBLE) AS heat_kwh,
    TRY_CAST(json_extract_string(document, '$.account.electricity_kwh') AS DOUBLE)
        AS electricity_kwh,
    TRY_CAST(CASE WHEN json_type(document, '$.allowance') = 'OBJECT'
        THEN json_extract_string(document, '$.allowance.spf')
        ELSE json_extract_string(document, '$.account.spf') END AS DOUBLE) AS deciding_spf,
    TRY_CAST(json_extract_string(document, '$.probability') AS DOUBLE) AS probability,
    json_extract_string(document, '$.settlement') AS settlement,
    TRY_CAST(json_extract_string(document, '$.money.extra_cost') AS DOUBLE) AS extra_cost,
    json_extract_string(document, '$.money.currency') AS currency,
    TRY_CAST(json_extract_string(document, '$.newest_reading') AS TIMESTAMPTZ)
        AS newest_reading,
    TRY_CAST(json_extract_string(document, '$.computed_at') AS TIMESTAMPTZ) AS computed_at
FROM standing;

CREATE VIEW fleet_outlook_now AS
SELECT site_id,
    TRY_CAST(json_extract_string(document, '$.promise') AS DOUBLE) AS ahead_promise,
    TRY_CAST(json_extract_string(document, '$.period_end') AS DATE) AS ahead_end,
    TRY_CAST(json_extract_string(document, under || '.low_90') AS DOUBLE) AS ahead_low,
    TRY_CAST(json_extract_string(document, under || '.high_90') AS DOUBLE) AS ahead_high,
    TRY_CAST(json_extract_string(document, under || '.probability') AS DOUBLE)
        AS ahead_probability
FROM (SELECT site_id, document,
          CASE WHEN json_type(document, '$.allowed') = 'OBJECT' THEN '$.allowed' ELSE '$' END
              AS under
      FROM outlook);

CREATE VIEW fleet_finding_now AS
SELECT finding_id, site_id, kind, times_opened, opened_at,
    coalesce(json_extract_string(document, '$.topic'), '') AS topic,
    coalesce(json_extract_string(document, '$.confidence'), '') AS confidence,
    coalesce(json_extract_string(document, '$.title'), kind) AS title,
    json_extract_string(document, '$.check[0]') AS todo,
    CASE json_extract_string(document, '$.topic')
        WHEN 'household' THEN 0 WHEN 'data' THEN 1 WHEN 'meter' THEN 2 ELSE 3 END AS rank,
    coalesce(
        TRY_CAST(json_extract_string(document, '$.at_stake') AS DOUBLE),
        nullif(TRY_CAST(json_extract_string(document, '$.effect.money_year') AS DOUBLE), 0),
        TRY_CAST(json_extract_string(document, '$.effect.kwh_year') AS DOUBLE) / 4,
        0) AS cost,
    TRY_CAST(json_extract_string(document, '$.effect.spf') AS DOUBLE) AS spf,
    TRY_CAST(json_extract_string(document, '$.effect.kwh_year') AS DOUBLE) AS kwh_year,
    TRY_CAST(json_extract_string(document, '$.effect.money_year') AS DOUBLE) AS money_year,
    json_extract_string(document, '$.effect.currency') AS currency
FROM finding WHERE cleared_at IS NULL;

INSERT INTO fleet BY NAME
SELECT * FROM fleet_site_now
LEFT JOIN fleet_standing_now USING (site_id)
LEFT JOIN fleet_outlook_now USING (site_id);
INSERT INTO fleet_finding BY NAME SELECT * FROM fleet_finding_now;

-- Views of the fleet that a person keeps under a name.
CREATE SEQUENCE saved_view_seq;
CREATE TABLE saved_view (
    view_id INTEGER PRIMARY KEY DEFAULT nextval('saved_view_seq'),
    user_id INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    search VARCHAR NOT NULL,
    saved_at TIMESTAMPTZ NOT NULL
);
