"""Columns of every frame that crosses a border between packages.

Times are UTC. Energies are in kWh, powers in kW, temperatures in degC, flows in m3/h.
"""

from __future__ import annotations

import polars as pl

UTC = pl.Datetime("us", "UTC")

Schema = dict[str, pl.DataType | type[pl.DataType]]

#: What an adapter returns: one row a reading that it could use. `target` is the index
#: into the extract's list of targets; `duration_s` is null unless the reading is an
#: interval, which then starts at `t_utc`.
NORMAL: Schema = {
    "line": pl.Int64,
    "target": pl.UInt16,
    "t_utc": UTC,
    "duration_s": pl.Int32,
    "value": pl.Float64,
}

#: Readings that could not be used: where they stood, what stood there, and why.
REJECT: Schema = {
    "line": pl.Int64,
    "column": pl.String,
    "raw": pl.String,
    "reason": pl.String,
}

#: Readings of one site as the computing core gets them, sorted by channel and time.
#: `conflict` marks a time at which two imports disagree and nobody has settled it.
READING: Schema = {
    "channel_id": pl.Int32,
    "t_utc": UTC,
    "duration_s": pl.Int32,
    "value": pl.Float64,
    "conflict": pl.Boolean,
}

#: Readings that were set aside because they cannot be true (rule R6).
SUSPECT: Schema = {
    "channel_id": pl.Int32,
    "t_utc": UTC,
    "value": pl.Float64,
    "reason": pl.String,
}

#: Energy of one stream in one UTC hour. `status` is measured, bridged or missing;
#: a bridged slot carries its block's whole energy only in `block_kwh`, together with
#: the block's first and last hour. `u_start_kwh` and `u_end_kwh` say how well the
#: energy at the two edges is placed.
SLOT: Schema = {
    "role": pl.String,
    "slot_start_utc": UTC,
    "status": pl.String,
    "kwh": pl.Float64,
    "block_start_utc": UTC,
    "block_end_utc": UTC,
    "block_kwh": pl.Float64,
    "u_start_kwh": pl.Float64,
    "u_end_kwh": pl.Float64,
}

#: Time-weighted mean of a plain quantity in one UTC hour, and the share of the hour
#: that its samples cover.
STATE_SLOT: Schema = {
    "role": pl.String,
    "slot_start_utc": UTC,
    "mean": pl.Float64,
    "covered": pl.Float64,
}

#: Daily mean outdoor temperatures of named places. `typical` days stand for a year of the
#: climate and not for what the weather was; their years mean nothing.
WEATHER: Schema = {
    "series": pl.String,
    "day": pl.Date,
    "typical": pl.Boolean,
    "outdoor_c": pl.Float64,
}

#: How a system ran on one local day, from samples at most five minutes apart; null where
#: the records do not tell. Hours are of the day; `step_s` is the grid on which it was seen,
#: `seen_h` the time for which it is known whether the compressor ran. `space_*` and `dhw_*`
#: are hours and means of steady running for rooms and for hot water (without the ten minutes
#: about its edges, and defrosts), `idle_*` of the time in which the compressor rests;
#: `turned_h` those of steady running with the return hotter than the flow, `frost_h` those of
#: running in frost weather. Reheats of the cylinder rise by more than 3 K.
BEHAVIOUR: Schema = {
    "day": pl.Date,
    "step_s": pl.Int32,
    "seen_h": pl.Float64,
    "run_h": pl.Float64,
    "starts": pl.Float64,
    "run_median_min": pl.Float64,
    "space_h": pl.Float64,
    "space_flow_c": pl.Float64,
    "space_return_c": pl.Float64,
    "space_delta_k": pl.Float64,
    "space_outdoor_c": pl.Float64,
    "space_flow_m3h": pl.Float64,
    "space_heat_kw": pl.Float64,
    "dhw_h": pl.Float64,
    "dhw_flow_c": pl.Float64,
    "turned_h": pl.Float64,
    "idle_h": pl.Float64,
    "idle_flow_h": pl.Float64,
    "idle_kw": pl.Float64,
    "idle_pumps_kw": pl.Float64,
    "frost_h": pl.Float64,
    "defrosts": pl.Float64,
    "defrost_h": pl.Float64,
    "dhw_max_c": pl.Float64,
    "dhw_min_c": pl.Float64,
    "dhw_reheats": pl.Float64,
}


def empty(schema: Schema) -> pl.DataFrame:
    """Give a frame of a schema with no rows."""
    return pl.DataFrame(schema=schema)


def check(frame: pl.DataFrame, schema: Schema) -> pl.DataFrame:
    """Return the frame's columns in the schema's order, or fail.

    Raises
    ------
    TypeError
        A column is missing or of another type: a fault of the caller, not of the data.
    """
    wrong = {
        name: (frame.schema.get(name), dtype)
        for name, dtype in schema.items()
        if frame.schema.get(name) != dtype
    }
    if wrong:
        message = f"frame does not fit its schema (column: (has, needs)): {wrong}"
        raise TypeError(message)
    return frame.select(list(schema))
