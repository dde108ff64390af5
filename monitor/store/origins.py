"""Where a figure comes from: the very readings of a stretch, with file and line."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from monitor.store.connection import Store, query


def readings_of(store: Store, site_id: str, start: datetime, end: datetime) -> pl.DataFrame:
    """Every reading of a site in [start, end), also those that were set aside, as it came.

    Returns
    -------
    pl.DataFrame
        `t_utc`, `role`, `serial`, `value` (kWh, kW or the unit of the plain quantity),
        `duration_s` (null unless it is an interval), `set_aside` (why, or null), `file_name`,
        `line`; by time and role.
    """
    return query(
        store.cursor(),
        "SELECT r.t_utc, c.role, c.serial, r.value, r.duration_s, s.reason AS set_aside, "
        "i.file_name, r.line FROM reading r JOIN channel c USING (channel_id) "
        "JOIN import i USING (import_id) "
        "LEFT JOIN (SELECT DISTINCT ON (channel_id, t_utc, value) channel_id, t_utc, value, "
        "reason FROM suspect WHERE site_id = $site) s ON s.channel_id = r.channel_id "
        "AND s.t_utc = r.t_utc AND s.value = r.value "
        "WHERE c.site_id = $site AND r.t_utc >= $start AND r.t_utc < $end "
        "ORDER BY r.t_utc, c.role, i.import_id, r.line",
        {
            "site": site_id,
            "start": start.replace(tzinfo=None),
            "end": end.replace(tzinfo=None),
        },
    )
