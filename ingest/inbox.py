"""From files to the store: each file once, in one transaction, every reading accounted for."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.clock_right import said, set_right
from ingest.errors import Terminal
from ingest.normal_form import Extract, Target
from ingest.profile import Profile
from ingest.registry import adapter, read_in_parts
from monitor.errors import DescriptionError
from monitor.models import Site
from monitor.schemas import REJECT, UTC, Schema, empty
from monitor.store.connection import Store
from monitor.store.portions import Portion
from monitor.store.readings import Batch, Counts, known_import, record_import
from monitor.store.sites import StoredChannel, load_site, stored_channels

STAGED: Schema = {
    "channel_id": pl.Int32,
    "t_utc": UTC,
    "duration_s": pl.Int32,
    "value": pl.Float64,
    "line": pl.Int64,
}

#: A reading may be this far ahead of the clock here, for loggers that run fast.
#: Common practice, no source.
CLOCK_TOLERANCE = timedelta(days=1)


@dataclass(frozen=True)
class ImportReport:
    """What became of one file.

    `counts` satisfy R10: rows_read = accepted + duplicates + conflicts + quarantined.
    `already` is the time of the import that had brought the same file, if any; then
    nothing was changed.
    """

    site_id: str
    file_name: str
    lines: int
    blank: int
    counts: Counts
    notes: tuple[str, ...] = ()
    already: datetime | None = None

    @property
    def sentence(self) -> str:
        """The report in words, with the accounting identity."""
        if self.already is not None:
            return (
                f"{self.file_name}: already imported on {self.already:%Y-%m-%d %H:%M} UTC with "
                "this profile; nothing was changed."
            )
        c = self.counts
        return (
            f"{self.file_name}: {c.rows_read:,} readings read = {c.accepted:,} accepted + "
            f"{c.duplicates:,} duplicates + {c.conflicts:,} conflicts + "
            f"{c.quarantined:,} quarantined ({self.lines:,} lines, {self.blank:,} blank cells)."
        )


def content_hash(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    Terminal
        The file cannot be read.
    """
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except FileNotFoundError as error:
        message = f"There is no file {path}."
        raise Terminal(message) from error
    except OSError as error:
        message = f"{path} cannot be read: {error.strerror}."
        raise Terminal(message) from error


def import_file(
    store: Store, site_id: str, path: Path, profile: Profile, *, now: datetime
) -> ImportReport:
    """Bring one export into the store.

    The same bytes under the same profile, for the same meters, change nothing; once a
    meter that was lacking is described, its readings can be brought in. The figures of
    the site are not computed here: the caller refreshes.

    Raises
    ------
    IngestError, DescriptionError, NotFoundError
        The file as a whole cannot be used; nothing was changed.
    StoreBusyError
        The figures of the site were written at the same moment; nothing was changed.
    """
    site = load_site(store, site_id)
    hashed = content_hash(path)
    profiled = _profile_hash(profile, site)
    earlier = known_import(store, site_id, hashed, profiled)
    if earlier is not None:
        number, when = earlier
        return ImportReport(site_id, path.name, 0, 0, Counts(number, 0, 0, 0, 0, 0), already=when)
    channels = stored_channels(store, site)
    seen = _Seen()
    told = () if profile.clock is None else (said(profile.clock),)
    extracts = read_in_parts(adapter(profile.format), path, profile)
    portions = seen.counting(
        read_ahead(
            _portion(site, channels, set_right(extract, profile.clock), now=now)
            for extract in extracts
        )
    )
    first = next(portions)
    batch = Batch(
        site_id=site_id,
        file_name=path.name,
        content_hash=hashed,
        profile_hash=profiled,
        profile_name=profile.name,
        correction=profile.correction is not False,
        replaces_span=profile.correction == "span",
        lines=first.lines,
        blank=first.blank,
        staged=first.staged,
        rejects=first.rejects,
        notes=(*first.notes, *told),
        rest=portions,
    )
    counts = record_import(store, batch, now)
    return ImportReport(
        site_id, path.name, seen.lines, seen.blank, counts, notes=(*seen.notes, *told)
    )


def read_ahead(portions: Iterator[Portion]) -> Iterator[Portion]:
    """Give portions while the next one is being read."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        coming = pool.submit(next, portions, None)
        while (portion := coming.result()) is not None:
            coming = pool.submit(next, portions, None)
            yield portion


@dataclass
class _Seen:
    """What the portions of a file add up to that the report says."""

    lines: int = 0
    blank: int = 0
    notes: list[str] = field(default_factory=list)

    def counting(self, portions: Iterable[Portion]) -> Iterator[Portion]:
        """Count portions as they go by."""
        for portion in portions:
            self.lines += portion.lines
            self.blank += portion.blank
            self.notes += portion.notes
            yield portion


def _portion(
    site: Site, channels: list[StoredChannel], extract: Extract, *, now: datetime
) -> Portion:
    staged, refused = resolve(site, channels, extract, now=now)
    rejects = pl.concat([extract.rejects, refused])
    return Portion(staged, rejects, extract.lines, extract.blank, extract.notes)


def _profile_hash(profile: Profile, site: Site) -> str:
    """SHA-256 of everything that says which readings of a file go where."""
    meters = [
        f"{fit.serial} {fit.fitted} {fit.removed} {fit.counts_from or ''}"
        + " ".join(f"{channel.role}:{channel.kind}" for channel in fit.channel)
        for fit in site.meter
    ]
    return hashlib.sha256("\n".join([profile.model_dump_json(), *meters]).encode()).hexdigest()


def resolve(
    site: Site, channels: list[StoredChannel], extract: Extract, *, now: datetime
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give each reading the channel of the meter that was fitted at its time.

    Returns
    -------
    tuple
        A frame of schema STAGED, sorted by channel and time, and the refused readings
        (schema REJECT). Together they hold every reading of the extract.
    """
    staged: list[pl.DataFrame] = []
    refused: list[pl.DataFrame] = []
    latest = now + CLOCK_TOLERANCE
    for (index,), part in extract.readings.partition_by("target", as_dict=True).items():
        target = extract.targets[int(str(index))]
        candidates = _candidates(site, channels, target)
        role = target.column.role
        part = _told_apart(site, candidates, target, part, refused)
        if not candidates:
            meter = f" with serial '{target.serial}'" if target.serial else ""
            reason = f"no meter of this site{meter} measures {role}"
            refused.append(_refuse(part, target, reason))
            continue
        finite = pl.col("value").is_finite()
        for condition, reason in (
            (finite, "not a finite number"),
            (pl.col("t_utc") <= latest, "the time lies in the future"),
        ):
            bad = part.filter(~condition)
            if bad.height:
                refused.append(_refuse(bad, target, reason))
                part = part.filter(condition)
        for stored in candidates:
            fitted = site.utc(stored.fit.fitted)
            inside = pl.col("t_utc") >= fitted
            if stored.fit.removed is not None:
                removed = site.utc(stored.fit.removed)
                last = not any(site.utc(c.fit.fitted) == removed for c in candidates)
                inside &= pl.col("t_utc") <= removed if last else pl.col("t_utc") < removed
            mine = part.filter(inside)
            if mine.height == 0:
                continue
            part = part.filter(~inside) if mine.height < part.height else part.clear()
            staged.append(
                mine.select(
                    pl.lit(stored.channel_id, pl.Int32).alias("channel_id"),
                    "t_utc",
                    "duration_s",
                    "value",
                    "line",
                )
            )
        if part.height:
            refused.append(_refuse(part, target, f"no meter of {role} was fitted at that time"))
    staged.sort(key=lambda frame: int(frame["channel_id"][0]))
    ordered = [f if f["t_utc"].is_sorted() else f.sort("t_utc", "line") for f in staged]
    return (
        pl.concat(ordered) if ordered else pl.DataFrame(schema=STAGED),
        pl.concat([empty(REJECT), *refused]),
    )


def _told_apart(
    site: Site,
    candidates: list[StoredChannel],
    target: Target,
    part: pl.DataFrame,
    refused: list[pl.DataFrame],
) -> pl.DataFrame:
    """Refuse readings without a serial of times at which two meters of a role are fitted."""
    if target.serial is not None:
        return part
    for stored in candidates:
        if stored.fit.counts_from is None:
            continue
        begins = site.utc(stored.fit.fitted)
        ends = [
            site.utc(c.fit.removed) if c.fit.removed is not None else None
            for c in candidates
            if c is not stored and site.utc(c.fit.fitted) < begins
        ]
        both = pl.col("t_utc") >= begins
        if None not in ends and ends:
            both &= pl.col("t_utc") < max(t for t in ends if t is not None)
        doubtful = part.filter(both)
        if doubtful.height:
            reason = (
                f"two meters of {target.column.role} are fitted at that time; name the serial in "
                "the profile, or the column that holds it"
            )
            refused.append(_refuse(doubtful, target, reason))
            part = part.filter(~both)
    return part


def _candidates(site: Site, channels: list[StoredChannel], target: Target) -> list[StoredChannel]:
    found = [
        s
        for s in channels
        if s.channel.role is target.column.role
        and (target.serial is None or s.fit.serial == target.serial)
    ]
    for stored in found:
        if stored.channel.kind is not target.column.kind:
            message = (
                f"The profile reads '{target.label}' as kind '{target.column.kind}', but site "
                f"'{site.id}' describes {target.column.role} of meter '{stored.fit.serial}' as "
                f"'{stored.channel.kind}'. Correct whichever is wrong; nothing was imported."
            )
            raise DescriptionError(message)
    return found


def _refuse(part: pl.DataFrame, target: Target, reason: str) -> pl.DataFrame:
    return part.select(
        "line",
        pl.lit(target.label).alias("column"),
        (pl.col("t_utc").dt.to_string("%Y-%m-%dT%H:%M:%SZ") + " " + pl.col("value").cast(pl.String))
        .fill_null("")
        .alias("raw"),
        pl.lit(reason).alias("reason"),
    )
