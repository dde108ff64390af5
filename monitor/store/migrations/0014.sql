-- The postcode area of a home, and addresses that say nothing of anybody: what a person typed
-- stays in the store under a token, and a cohort's value is told by a keyed digest.
INSERT INTO secret VALUES ('addresses', getvariable('fresh_secret'));

ALTER TABLE fleet ADD COLUMN postcode_area VARCHAR;
CREATE OR REPLACE VIEW fleet_site_now AS
SELECT site_id,
    json_extract_string(document, '$.name') AS name,
    coalesce(json_extract_string(document, '$.place'), '') AS place,
    coalesce(json_extract_string(document, '$.postcode_area'), '') AS postcode_area,
    TRY_CAST(json_extract_string(document, '$.commissioned') AS DATE) AS commissioned,
    coalesce(json_extract_string(document, '$.heat_pump.model'), '') AS unit_model,
    coalesce(json_extract_string(document, '$.designer'), '') AS designer,
    coalesce(json_extract_string(document, '$.installer_team'), '') AS team,
    strip_accents(lower(concat_ws(' ', site_id, json_extract_string(document, '$.name'),
        json_extract_string(document, '$.place'),
        nullif(json_extract_string(document, '$.postcode_area'), ''),
        json_extract_string(document, '$.heat_pump.model'),
        json_extract_string(document, '$.designer'),
        json_extract_string(document, '$.installer_team')))) AS sought
FROM (SELECT site_id, arg_max(document, version_id) AS document
      FROM site_version GROUP BY site_id);
UPDATE fleet SET postcode_area = v.postcode_area, sought = v.sought
FROM fleet_site_now v WHERE v.site_id = fleet.site_id;

-- Kept views: what was searched in a column of its own, under a token; cohorts by digest.
ALTER TABLE saved_view ADD COLUMN token VARCHAR;
ALTER TABLE saved_view ADD COLUMN sought VARCHAR;
CREATE TEMP TABLE old_view AS
SELECT view_id, place, name,
    CASE WHEN name IN ('model', 'designer', 'team', 'place', 'boundary', 'age') AND value <> ''
        THEN left(sha256(getvariable('fresh_secret') || name || value), 12)
        ELSE value END AS value
FROM (
    SELECT view_id, place, split_part(part, '=', 1) AS name,
        url_decode(replace(substr(part, strpos(part, '=') + 1), '+', ' ')) AS value
    FROM (
        SELECT view_id, unnest(parts) AS part, generate_subscripts(parts, 1) AS place
        FROM (SELECT view_id, string_split(ltrim(search, '?'), '&') AS parts FROM saved_view)
    ) WHERE strpos(part, '=') > 0
);
UPDATE saved_view SET sought = o.value,
    token = left(sha256(getvariable('fresh_secret') || 'view ' || saved_view.view_id), 16)
FROM old_view o WHERE o.view_id = saved_view.view_id AND o.name = 'q' AND o.value <> '';
UPDATE saved_view SET search = coalesce((
    SELECT '?' || string_agg(name || '=' || value, '&' ORDER BY place) FROM (
        SELECT 0 AS place, 'view' AS name, token AS value WHERE token IS NOT NULL
        UNION ALL
        SELECT place, name, value FROM old_view o
        WHERE o.view_id = saved_view.view_id AND o.name <> 'q'
    )
), '');
DROP TABLE old_view;
