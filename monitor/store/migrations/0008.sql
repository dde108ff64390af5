-- Derived: how a system ran on each local day, from samples at most five minutes apart.
CREATE TABLE behaviour (
    site_id VARCHAR NOT NULL,
    day DATE NOT NULL,
    step_s INTEGER,
    seen_h DOUBLE,
    run_h DOUBLE,
    starts DOUBLE,
    run_median_min DOUBLE,
    space_h DOUBLE,
    space_flow_c DOUBLE,
    space_return_c DOUBLE,
    space_delta_k DOUBLE,
    space_outdoor_c DOUBLE,
    space_flow_m3h DOUBLE,
    space_heat_kw DOUBLE,
    dhw_h DOUBLE,
    dhw_flow_c DOUBLE,
    turned_h DOUBLE,
    idle_h DOUBLE,
    idle_flow_h DOUBLE,
    idle_kw DOUBLE,
    idle_pumps_kw DOUBLE,
    frost_h DOUBLE,
    defrosts DOUBLE,
    defrost_h DOUBLE,
    dhw_max_c DOUBLE,
    dhw_min_c DOUBLE,
    dhw_reheats DOUBLE
);

-- What is kept is computed anew with it.
INSERT OR REPLACE INTO changed
SELECT DISTINCT site_id, TIMESTAMP '1970-01-01' FROM site_version;
