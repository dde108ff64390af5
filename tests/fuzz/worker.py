"""The process that reads spoilt files: its memory is limited, and it may be killed.

A case is answered with an `Answer`; a process that gives none has crashed or hangs.
"""

from __future__ import annotations

import re
import resource
import traceback
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

import polars as pl

from ingest.inbox import import_file
from ingest.normal_form import Extract
from ingest.registry import adapter
from ingest.units import conversion
from monitor.errors import PledgewattError
from monitor.models import Kind, Role, Site
from monitor.store.connection import Store, open_store
from monitor.store.sites import save_site
from tests.fuzz.samples import FORMATS, Sample, samples

#: So much address space more than at its start a process may have (what it reserves counts).
MAX_RESERVED = 8 << 30
#: So much memory a case may take at its height; the spoilt files are no larger than 2 MiB.
MAX_MEMORY = 512 << 20
NOW = datetime(2026, 1, 1, tzinfo=UTC)
_FIRST = datetime(1968, 1, 1, tzinfo=UTC)
_LAST = datetime(2202, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Answer:
    """What became of a case: `refused`, `rejects`, `clean` or `fault`; and the time it took.

    `seconds` are those of the processor, so that a busy machine makes no case slow.
    """

    outcome: str
    said: str
    seconds: float


def serve(pipe: Connection, *, store: bool) -> None:
    """Answer cases (format, index of the sample, path) until the pipe is closed.

    Parameters
    ----------
    store
        True to bring each fourth file into a store too, and to hold its account to what
        was read.
    """
    # What is loaded on first use must not count as the case's.
    for name in FORMATS:
        adapter(name)
    conversion("kWh", Role.HEAT_TOTAL, Kind.REGISTER, where="warm-up")
    _limit_memory()
    warnings.simplefilter("error")
    with TemporaryDirectory() as folder:
        opened = _store(Path(folder)) if store else None
        pipe.send(None)
        for number in count(1):
            try:
                form, index, path = pipe.recv()
            except EOFError:
                return
            used = opened if number % 4 == 0 else None
            pipe.send(_answer(samples(form)[index], Path(path), used))


def _limit_memory() -> None:
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + MAX_RESERVED
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _memory(line: str) -> int:
    """Give VmRSS (memory in use) or VmHWM (the most since the last reset) in bytes."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition(f"{line}:")[2].split()[0]) << 10


def _answer(sample: Sample, path: Path, store: Store | None) -> Answer:
    Path("/proc/self/clear_refs").write_text("5")  # forgets the most so far (proc(5))
    before, begin = _memory("VmRSS"), process_time()
    try:
        extract = adapter(sample.format).read(path, sample.profile)
        faults = faults_of(extract)
        if store is not None:
            faults += _account_faults(store, path, sample, extract)
    except PledgewattError as error:
        fault = sentence_fault(error.user_message)
        outcome = "fault" if fault else "refused"
        return Answer(outcome, fault or error.user_message, process_time() - begin)
    except BaseException:
        return Answer("fault", traceback.format_exc(limit=-8), process_time() - begin)
    took = process_time() - begin
    taken = _memory("VmHWM") - before
    if taken > MAX_MEMORY:
        faults.append(f"{taken >> 20} MiB of memory were taken")
    if faults:
        return Answer("fault", "; ".join(faults), took)
    return Answer("rejects" if extract.rejects.height else "clean", "", took)


def sentence_fault(message: str) -> str | None:
    """Say what is wrong with an error's sentence, or None."""
    if not message.strip() or not message.rstrip().endswith("."):
        return f"no sentence: {message[:300]!r}"
    if len(message) > 4_000:
        return f"{len(message)} characters long: {message[:300]!r}"
    if any(ord(letter) < 32 and letter not in "\n\t" for letter in message):
        return f"control characters: {message[:300]!r}"
    return None


def faults_of(extract: Extract) -> list[str]:
    """Say in what an extract is not what every adapter promises."""
    readings, rejects = extract.readings, extract.rejects
    kinds = [target.column.kind for target in extract.targets]
    faults = [
        f"{column} is null"
        for column in ("line", "target", "t_utc", "value")
        if readings[column].null_count()
    ]
    faults += [
        f"reject without {column}"
        for column in ("line", "column", "raw", "reason")
        if rejects[column].null_count()
    ]
    if extract.rows_read != readings.height + rejects.height:
        faults.append("rows read are not readings and rejects")
    if not readings["value"].is_finite().all():
        faults.append("a value is not finite")
    if readings.height and int(readings["target"].max()) >= len(kinds):  # type: ignore[arg-type]
        faults.append("a reading of no target")
    elif readings.height:
        intervals = [number for number, kind in enumerate(kinds) if kind is Kind.INTERVAL]
        lasting = readings["target"].is_in(intervals)
        if (readings["duration_s"].is_not_null() != lasting).any():
            faults.append("a duration does not go with the kind")
        if (readings["duration_s"] < 1).any():
            faults.append("an interval of no length")
        if not readings["t_utc"].is_between(_FIRST, _LAST).all():
            faults.append("a time of another age")
    if (readings["line"] < 1).any() or (rejects["line"] < 0).any():
        faults.append("a line before the first")
    if (rejects["reason"].str.len_chars() == 0).any():
        faults.append("a reject without a reason")
    if (rejects["raw"].str.len_chars() > 500).any():
        faults.append("what stood there is shown at great length")
    if rejects["raw"].str.contains(r"[\x00-\x08\x0b-\x1f\x7f]").any():
        faults.append("a control character is shown")
    if any(re.search(r"[\x00-\x08\x0b-\x1f\x7f]", note) for note in extract.notes):
        faults.append("a control character is shown in a note")
    if extract.lines < 0 or extract.blank < 0:
        faults.append("a count below 0")
    faults += [f"a note of {len(note)} characters" for note in extract.notes if len(note) > 4_000]
    return faults


def _store(folder: Path) -> Store:
    opened = open_store(folder / "fuzz.duckdb", create=True)
    save_site(opened, _site(), NOW)
    return opened


def _site() -> Site:
    """A home that has a meter for everything, of no kind in particular."""
    channels = [
        {"role": role, "kind": "state"}
        for role in ("flow_temp", "return_temp", "flow_rate", "outdoor_temp")
    ]
    return Site.model_validate(
        {
            "id": "fuzz",
            "name": "Fuzz",
            "zone": "UTC",
            "commissioned": "2023-01-01",
            "heat_pump": {"nominal_heat_kw": 8.0},
            "meter": [
                {"serial": "S", "measures": "sensors", "fitted": NOW.replace(year=2000),
                 "channel": channels},
                {"serial": "H", "measures": "heat", "fitted": NOW.replace(year=2000),
                 "channel": [{"role": "heat_total", "kind": "register"}]},
            ],
        }
    )  # fmt: skip


def _account_faults(store: Store, path: Path, sample: Sample, extract: Extract) -> list[str]:
    """Bring the file into the store and hold its account to what was read (R10)."""
    counts = import_file(store, "fuzz", path, sample.profile, now=NOW).counts
    faults = []
    if counts.rows_read != extract.rows_read and counts.rows_read:
        faults.append(f"the store counts {counts.rows_read}, not {extract.rows_read} readings")
    known = counts.accepted + counts.duplicates + counts.conflicts + counts.quarantined
    if counts.rows_read != known:
        faults.append(f"{counts.rows_read} readings read, {known} accounted for")
    if counts.quarantined < extract.rejects.height and counts.rows_read:
        faults.append("rejects are missing from the quarantine")
    return faults


def frame_of(extract: Extract) -> pl.DataFrame:
    """Readings by what they are of, for comparisons between two extracts."""
    labels = pl.DataFrame(
        {
            "target": range(len(extract.targets)),
            "label": [f"{one.label}|{one.serial}" for one in extract.targets],
        },
        schema={"target": pl.UInt16, "label": pl.String},
    )
    return extract.readings.join(labels, on="target").select("label", "t_utc", "value")
