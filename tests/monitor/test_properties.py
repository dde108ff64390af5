"""What holds for any readings whatever: statements tried on many made-up histories."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.guarantee.conformance import conformance_probability, decide, guard_band
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import Blocks, accounts, pair
from monitor.models import Boundary, Site, Terms
from monitor.refresh import refresh_site
from monitor.store import derived
from monitor.store.connection import Store, open_store
from monitor.store.readings import imports, load_readings
from monitor.store.sites import save_site, stored_channels
from tests.monitor.homes import at, home, readings, slots_of
from tests.monitor.stores import NOW, Row, assert_up_to_date, numbers, take

few = settings(
    max_examples=9,
    deadline=None,
    derandomize=True,
    # Looking for a smaller failing case would take minutes: the store is on disk.
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)
many = settings(max_examples=40, deadline=None, derandomize=True)

ids = count()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """One store for the whole file; each example takes a site of its own."""
    path: Path = tmp_path_factory.mktemp("store") / "homes.duckdb"
    with open_store(path, create=True) as opened:
        yield opened


# --- Histories -------------------------------------------------------------------------------

#: Hours between readings, and how far they stand off the hour.
PACES = {
    "every ten minutes": (1 / 6, 0.0),
    "hourly": (1.0, 0.0),
    "hourly, off the hour": (1.0, 0.3),
    "every three hours": (3.0, 0.0),
    "daily, at twenty past ten": (24.0, 10 + 1 / 3),
}

stretches = st.lists(
    st.tuples(
        st.sampled_from([*PACES, "silence", "standstill"]),
        st.integers(1, 6) | st.integers(1, 45),
    ),
    min_size=2,
    max_size=5,
)

faults = st.lists(
    st.tuples(
        st.sampled_from(["zero", "spike", "reset", "frozen", "contested"]),
        st.floats(0, 1, exclude_max=True),
    ),
    max_size=4,
)


def history(
    kind: str, plan: list[tuple[str, int]], wrong: list[tuple[str, float]], seed: int, power: float
) -> list[tuple[datetime, float, int | None]]:
    """Readings of one channel over some stretches of days, with faults at some places."""
    rng = np.random.default_rng(seed)
    times: list[float] = []
    still: list[tuple[float, float]] = []
    now = 0.0
    for pace, days in plan:
        if pace == "standstill":
            still.append((now, now + 24.0 * days))
        if pace != "silence":
            step, offset = PACES.get(pace, PACES["hourly"])
            short = min(days, 4) if step < 1 else days
            times += list(np.arange(now + offset, now + 24.0 * short, step))
        now += 24.0 * days
    hours = np.unique(np.round(np.array(times), 6))
    if len(hours) < 2:
        return []
    level = np.concatenate(
        ([0.0], np.cumsum(rng.uniform(0, 2 * power, len(hours) - 1) * np.diff(hours)))
    )
    for a, b in still:
        inside = (hours > a) & (hours <= b)
        steps = np.diff(level, prepend=level[0])
        level = np.cumsum(np.where(inside, 0.0, steps))
    moments = [at(0) + timedelta(seconds=round(h * 3600)) for h in hours]
    if kind == "interval":
        return [
            (t, float(e), int((u - t).total_seconds()))
            for t, u, e in zip(moments, moments[1:], np.diff(level), strict=False)
            if u - t <= timedelta(days=1)
        ]
    if kind == "power":
        return [
            (t, float(p), None)
            for t, p in zip(moments, rng.uniform(0, power, len(moments)), strict=True)
        ]
    value = 5000.0 + level
    for what, where in wrong:
        n = int(where * len(value))
        if what in ("zero", "spike"):
            value[n : n + 3] = 0.0 if what == "zero" else 65_535.0
        elif what == "reset":
            value[n:] -= value[n]
        elif what == "frozen":
            value[n : n + 40] = value[n]
    return [(t, float(round(v, 3)), None) for t, v in zip(moments, value, strict=True)]


histories = st.fixed_dictionaries(
    {
        "kinds": st.tuples(
            st.sampled_from(["register", "register", "interval", "power"]),
            st.sampled_from(["register", "register", "interval", "power"]),
        ),
        "heat": stretches,
        "electricity": stretches,
        "wrong": faults,
        "seed": st.integers(0, 10**6),
        "files": st.integers(2, 4),
        "order": st.sampled_from(["in order", "last first", "shuffled", "rows dealt out"]),
        "again": st.booleans(),
        "swap": st.none() | st.tuples(st.floats(0.1, 0.9), st.booleans()),
    }
)


def fits(kind: str, swap: datetime | None, before: float, after: float) -> list[dict[str, Any]]:
    """One heat meter, or two that follow one another, perhaps with their registers noted."""
    heat = {
        "measures": "heat",
        "fitted": at(-24),
        "channel": [{"role": "heat_total", "kind": kind}],
    }
    if swap is None:
        return [heat | {"serial": "Q1"}]
    old = {"serial": "Q1", "removed": swap, "end_register": {"heat_total": before}}
    new = {"serial": "Q2", "fitted": swap, "start_register": {"heat_total": after}}
    if not before:
        old.pop("end_register")
        new.pop("start_register")
    return [heat | old, heat | new]


def made(store: Store, plan: dict[str, Any]) -> tuple[Site, list[list[Row]]]:
    """A site of its own in the store, and the files of its history in their order."""
    heat_kind, electric_kind = plan["kinds"]
    heat = history(heat_kind, plan["heat"], plan["wrong"], plan["seed"], 3.0)
    electricity = history(electric_kind, plan["electricity"], plan["wrong"], plan["seed"] + 1, 1.0)
    swap, before, after = None, 0.0, 0.0
    if plan["swap"] is not None and heat:
        where, noted = plan["swap"]
        swap = heat[0][0] + where * (heat[-1][0] - heat[0][0])
        if noted and heat_kind == "register":
            before = max(v for t, v, _ in heat if t <= swap) + 0.5
            after = max(min((v for t, v, _ in heat if t > swap), default=0.0) - 0.5, 0.0)
    others = [
        {
            "serial": role,
            "measures": measures,
            "fitted": at(-24),
            "channel": [{"role": role, "kind": kind}],
        }
        for role, measures, kind in (
            ("elec_unit", "electricity", electric_kind),
            ("flow_temp", "sensors", "state"),
        )
    ]
    site = home(meters=[*fits(heat_kind, swap, before, after), *others]).model_copy(
        update={"id": f"home-{next(ids)}"}
    )
    save_site(store, site, NOW)
    channel = {s.fit.serial: s.channel_id for s in stored_channels(store, site)}
    rows: list[Row] = []
    for t, value, seconds in heat:
        number = channel["Q2" if swap is not None and t >= swap else "Q1"]
        rows.append((number, t, value) if seconds is None else (number, t, value, seconds))
    for t, value, seconds in electricity:
        number = channel["elec_unit"]
        rows.append((number, t, value) if seconds is None else (number, t, value, seconds))
    rows += [
        (channel["flow_temp"], t, 30.0 + value)
        for t, value, _ in history("power", plan["heat"][:2], [], plan["seed"], 10.0)
    ]
    rows += [
        (row[0], row[1], row[2] + 0.5, *row[3:])
        for what, where in plan["wrong"]
        if what == "contested" and rows
        for row in [rows[int(where * len(rows))]]
    ]
    rng = np.random.default_rng(plan["seed"])
    rows.sort(key=lambda row: (row[1], row[0], row[2]))
    parts = np.array_split(np.arange(len(rows)), plan["files"])
    if plan["order"] == "last first":
        parts.reverse()
    elif plan["order"] == "shuffled":
        rng.shuffle(parts)
    elif plan["order"] == "rows dealt out":
        owner = rng.integers(0, plan["files"], len(rows))
        parts = [np.flatnonzero(owner == n) for n in range(plan["files"])]
    files = [[rows[n] for n in part] for part in parts]
    for file in files:
        rng.shuffle(file)
    if plan["again"]:
        files.append(files[0][: len(files[0]) // 2])
    return site, files


@few
@given(histories)
def test_a_refresh_after_each_import_equals_a_computation_from_scratch(
    store: Store, plan: dict[str, Any]
) -> None:
    site, files = made(store, plan)
    for file in files:
        take(store, file, site_id=site.id)
        refresh_site(store, site.id, now=NOW)
        assert_up_to_date(store, site)


@few
@given(histories)
def test_neither_cut_nor_order_nor_repetition_of_imports_changes_an_account(
    store: Store, plan: dict[str, Any]
) -> None:
    site, files = made(store, plan)
    for file in files:
        take(store, file, site_id=site.id)
    refresh_site(store, site.id, now=NOW)

    whole, (rows,) = made(store, plan | {"files": 1, "order": "in order", "again": False})
    take(store, rows, site_id=whole.id)
    refresh_site(store, whole.id, now=NOW)
    assert derived.load_slots(store, site.id).equals(derived.load_slots(store, whole.id))
    assert derived.load_states(store, site.id).equals(derived.load_states(store, whole.id))


# --- Imports: rules R8 and R10 -----------------------------------------------------------------

small_rows = st.lists(
    st.tuples(st.sampled_from([0, 1]), st.integers(0, 2), st.sampled_from([1.0, 2.0, 3.0])),
    max_size=7,
)


class Ledger:
    """Rule R8 by hand: every value that a time has had, and the one that holds."""

    def __init__(self) -> None:
        self.values: dict[tuple[int, int], set[float]] = {}
        self.holds: dict[tuple[int, int], float | None] = {}

    def take(self, rows: list[tuple[int, int, float]], *, correction: bool) -> None:
        for key in {(c, t) for c, t, _ in rows}:
            brought = {v for c, t, v in rows if (c, t) == key}
            had = self.values.get(key, set())
            self.values[key] = had | brought
            if not had:
                self.holds[key] = next(iter(brought)) if len(brought) == 1 else None
            elif correction and len(brought) == 1:
                self.holds[key] = next(iter(brought))
            elif not brought <= had:
                self.holds[key] = None


@few
@given(st.lists(st.tuples(small_rows, st.booleans(), st.integers(0, 2)), min_size=1, max_size=4))
def test_any_imports_follow_rule_r8_and_account_for_every_row(
    store: Store, files: list[tuple[list[tuple[int, int, float]], bool, int]]
) -> None:
    site = home({"role": "heat_total"}, {"role": "elec_unit"}).model_copy(
        update={"id": f"home-{next(ids)}"}
    )
    save_site(store, site, NOW)
    channels = sorted(numbers(store, site).values())
    ledger = Ledger()
    for rows, correction, rejects in files:
        counts = take(
            store,
            [(channels[c], at(t), v) for c, t, v in rows],
            site_id=site.id,
            correction=correction,
            rejects=rejects,
        )
        assert counts.rows_read == len(rows) + rejects
        assert counts.rows_read == (
            counts.accepted + counts.duplicates + counts.conflicts + counts.quarantined
        )
        ledger.take(rows, correction=correction)
        expected = [
            (channels[c], at(t), held, held is None)
            for (c, t), held in sorted(ledger.holds.items())
        ]
        frame = load_readings(store, channels)
        assert frame.select("channel_id", "t_utc", "value", "conflict").rows() == expected
    assert imports(store, site.id).height == len(files)


# --- Registers ---------------------------------------------------------------------------------

HOURS = 48

rises = st.lists(st.floats(0, 8, allow_nan=False), min_size=HOURS, max_size=HOURS)


def total(site: Site, points: Sequence[tuple[datetime, float | None]]) -> float:
    slots = slots_of(site, readings(points))
    blocks = slots.select("block_start_utc", "block_end_utc", "block_kwh").unique()
    hours = (blocks["block_end_utc"] - blocks["block_start_utc"]).sum()
    assert hours == timedelta(hours=HOURS)
    return float(blocks["block_kwh"].sum())


@many
@given(rises, st.sets(st.integers(1, HOURS - 1)))
def test_readings_left_out_never_change_the_energy_between_two_that_remain(
    steps: list[float], left_out: set[int]
) -> None:
    site = home({"role": "heat_total"})
    level = np.concatenate(([100.0], 100.0 + np.cumsum(steps)))
    points = [(at(h), float(level[h])) for h in range(HOURS + 1) if h not in left_out]
    assert total(site, points) == pytest.approx(level[-1] - level[0])


@many
@given(rises, st.floats(0, 9999), st.sets(st.integers(1, HOURS - 1), max_size=10))
def test_a_rollover_anywhere_never_changes_the_energy(
    steps: list[float], start: float, left_out: set[int]
) -> None:
    site = home({"role": "heat_total", "digits": 5, "decimals": 1})
    true = np.round(np.concatenate(([start], start + np.cumsum(steps))), 1)
    face = np.round(np.mod(true, 10_000.0), 1)
    points = [(at(h), float(face[h])) for h in range(HOURS + 1) if h not in left_out]
    assert total(site, points) == pytest.approx(true[-1] - true[0])


@many
@given(rises, st.sampled_from(["Wh", "kWh", "MWh", "MJ", "GJ"]))
def test_the_unit_on_the_face_of_a_register_does_not_matter_to_its_energy(
    steps: list[float], unit: str
) -> None:
    # Values are in kWh when they come here; only digits and noted registers use the face.
    level = np.concatenate(([0.0], np.cumsum(steps)))
    points: list[tuple[datetime, float | None]] = [(at(h), float(v)) for h, v in enumerate(level)]
    assert total(home({"role": "heat_total", "unit": unit}), points) == pytest.approx(level[-1])


# --- Performance factors -----------------------------------------------------------------------


@st.composite
def paired(draw: st.DrawFn) -> Blocks:
    """Blocks of two registers, each read at some hours of two days only."""
    site = home({"role": "heat_total"}, {"role": "elec_unit"})
    series: list[list[tuple[datetime, float | None]]] = []
    for most in (8.0, 3.0):
        hours = sorted(draw(st.sets(st.integers(0, HOURS), min_size=2)))
        steps = draw(st.lists(st.floats(0.1, most), min_size=HOURS + 1, max_size=HOURS + 1))
        level = np.cumsum(steps)
        series.append([(at(h), float(level[h])) for h in hours])
    return pair(slots_of(site, readings(*series)), recipe(site, Boundary.H2))


def spf(blocks: Blocks, a: int, b: int) -> float | None:
    value = accounts(blocks, [at(a)], [at(b)])["spf"][0]
    return None if value is None else float(value)


def hour(block_edge: int) -> int:
    return block_edge - int(at(0).timestamp()) // 3600


windows = st.tuples(st.integers(-5, HOURS + 5), st.integers(0, HOURS + 10))


@many
@given(paired(), windows)
def test_a_performance_factor_lies_between_those_of_its_blocks(
    blocks: Blocks, window: tuple[int, int]
) -> None:
    a, b = window[0], window[0] + window[1]
    inside = [
        float(q / e)
        for q, e, start, end, known in zip(
            blocks.heat, blocks.electricity, blocks.start, blocks.end, blocks.known, strict=True
        )
        if known and hour(start) >= a and hour(end) <= b
    ]
    got = spf(blocks, a, b)
    assert (got is None) == (not inside)
    if got is not None:
        assert min(inside) * (1 - 1e-9) <= got <= max(inside) * (1 + 1e-9)


@many
@given(paired(), st.data())
def test_a_performance_factor_of_two_windows_lies_between_theirs(
    blocks: Blocks, data: st.DataObject
) -> None:
    edges = sorted({hour(int(edge)) for edge in [*blocks.start, *blocks.end]}) or [0]
    a, b, c = sorted(data.draw(st.sampled_from(edges)) for _ in range(3))
    first, second, whole = spf(blocks, a, b), spf(blocks, b, c), spf(blocks, a, c)
    parts = [part for part in (first, second) if part is not None]
    assert (whole is None) == (not parts)
    if whole is not None:
        assert min(parts) * (1 - 1e-9) <= whole <= max(parts) * (1 + 1e-9)


@many
@given(paired(), windows)
def test_every_window_accounts_for_each_of_its_hours(
    blocks: Blocks, window: tuple[int, int]
) -> None:
    a, b = window[0], window[0] + window[1]
    row = accounts(blocks, [at(a)], [at(b)]).row(0, named=True)
    assert row["hours_total"] == b - a
    assert row["hours_total"] == (
        row["hours_measured"] + row["hours_bridged"] + row["hours_missing"]
    )
    assert min(row["hours_measured"], row["hours_bridged"], row["hours_missing"]) >= 0
    assert 0.0 <= row["coverage"] <= 1.0


@many
@given(paired())
def test_no_energy_of_a_known_block_is_lost_or_made(blocks: Blocks) -> None:
    row = accounts(blocks, [at(-1)], [at(HOURS + 1)]).row(0, named=True)
    assert row["heat_kwh"] == pytest.approx(float(blocks.heat[blocks.known].sum()))
    assert row["electricity_kwh"] == pytest.approx(float(blocks.electricity[blocks.known].sum()))
    assert (blocks.start[1:] == blocks.end[:-1]).all()


energies = st.floats(0, 10_000, allow_nan=False)


@many
@given(
    st.floats(10, 10_000),
    st.floats(1.0, 6.0),
    energies,
    energies,
    energies,
    energies,
)
def test_a_wider_boundary_never_has_a_higher_performance_factor(
    unit: float, cop: float, source: float, backup: float, immersion: float, pumps: float
) -> None:
    site = home(
        *(
            {"role": role}
            for role in (
                "heat_total",
                "elec_unit",
                "elec_source",
                "elec_backup",
                "elec_immersion",
                "elec_pumps",
            )
        ),
        heat_pump={
            "source_drive": "apart",
            "backup_heater": True,
            "immersion_heater": True,
            "pumps_apart": True,
        },
    )
    streams = {
        "heat_total": cop * (unit + source),  # SPF above 1 at H2
        "elec_unit": unit,
        "elec_source": source,
        "elec_backup": backup,
        "elec_immersion": immersion,
        "elec_pumps": pumps,
    }
    found = []
    for boundary in Boundary:
        plan = recipe(site, boundary)
        heat = sum(f * streams[r] for r, f in plan.heat.items())
        found.append(heat / sum(f * streams[r] for r, f in plan.electricity.items()))
    assert all(a >= b * (1 - 1e-12) for a, b in pairwise(found))


# --- Decisions ---------------------------------------------------------------------------------

figures = st.floats(1.1, 9.0)
doubts = st.floats(1e-4, 1.0)


def terms(promise: float, factor: float) -> Terms:
    return Terms.model_validate(
        {
            "signed": date(2024, 1, 1),
            "promised_spf": promise,
            "boundary": "H2",
            "start": date(2024, 1, 1),
            "months": 12,
            "decision": "guarded",
            "guard_factor": factor,
        }
    )


@many
@given(figures, doubts, figures, st.floats(0.01, 100))
def test_the_probability_does_not_depend_on_the_unit(
    y: float, u: float, limit: float, unit: float
) -> None:
    assert conformance_probability(y * unit, u * unit, limit * unit) == pytest.approx(
        conformance_probability(y, u, limit), abs=1e-9
    )


@many
@given(figures, figures, doubts, figures)
def test_a_better_figure_is_never_less_likely_to_keep_the_promise(
    y: float, other: float, u: float, promise: float
) -> None:
    low, high = sorted((y, other))
    assert conformance_probability(low, u, promise) <= conformance_probability(high, u, promise)


@many
@given(figures, doubts, figures, st.floats(0, 3), st.floats(0, 3))
def test_a_wider_guard_band_never_turns_doubt_into_a_decision(
    y: float, u: float, promise: float, factor: float, other: float
) -> None:
    narrow, wide = (terms(promise, r) for r in sorted((factor, other)))
    assert guard_band(u, narrow) <= guard_band(u, wide)
    if decide(y, u, 1.0, narrow) == "undecided":
        assert decide(y, u, 1.0, wide) == "undecided"


@many
@given(figures, figures, doubts, figures, st.floats(0, 3))
def test_a_better_figure_never_has_a_worse_decision(
    y: float, other: float, u: float, promise: float, factor: float
) -> None:
    order = ["not kept", "undecided", "kept"]
    low, high = sorted((y, other))
    rule = terms(promise, factor)
    assert order.index(decide(low, u, 1.0, rule)) <= order.index(decide(high, u, 1.0, rule))
