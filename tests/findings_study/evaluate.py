"""One site-year, looked at again and again: what is found, when, and at what cost."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from monitor.findings.finding import Finding, Seen
from monitor.findings.registry import findings
from tests.findings_study.also_true import ALSO_TRUE
from tests.findings_study.cases import CACHE, HEALTHY, Lived, extra_of_a_year, lived
from tests.findings_study.kinds import TELLS, Tells
from tests.findings_study.look import Derived, derived, look

#: Days between looks while a trouble is not found: up to so many days since it began.
STEPS = ((30, 3), (90, 7), (366, 30))

#: Days between looks at a home whose trouble was found, and at a healthy one.
AFTER_FOUND_DAYS = 45
HEALTHY_DAYS = 30

#: Truth below which an effect is too small to be compared relatively: SPF, and kWh a year.
LEAST_SPF = 0.03
LEAST_KWH = 50.0

#: What the days so far must have been colder than the reference climate, on average where it
#: calls for heating, so that a finding about the weather is true, K.
COLDER_K = 0.4

OF_WEATHER = frozenset({"weather-not-system", "cause:weather"})

#: Troubles that make, lose or want more heat: they cost all the electricity above the sound
#: home's. The others cost what is used beyond it for the same heat.
OF_HEAT = frozenset(
    {
        "summer-heating", "defrost-often", "short-cycling", "comfort-above-terms",
        "heat-loss-above-design",
    }
)  # fmt: skip

#: Troubles of meters: what they cost is what the SPF shown is off the true one.
OF_METERS = frozenset(
    {
        "electricity-without-heat", "heat-without-electricity", "flow-return-swapped", "unit-slip",
        "heat-meter-low", "heat-meter-high", "clock-lag", "register-stuck", "register-jumps",
        "register-saturated", "meter-counts-house", "boundary-differs",
    }
)  # fmt: skip


@dataclass(frozen=True)
class Result:
    """What came of one site-year.

    Attributes
    ----------
    found_days
        Days from the beginning of the trouble to the first look that finds it; None where
        none does.
    found_after
        Days that tell it from its beginning to that look, less those that are enough data;
        negative where it was found sooner.
    found_as
        Key by which it was found.
    seen
        Every key that appeared, with the day of the data on which it first did.
    false
        Those of them that are not true of the home, or were there before its trouble.
    spf, spf_low, spf_high, spf_true
        What the finding says the trouble costs by the last look that finds it, with its 95 %
        interval, and the truth.
    kwh_year, kwh_year_true
        The same of the electricity of a year that has the trouble from its first day on.
    """

    kind: str
    strength: str
    seed: int
    expected: tuple[str, ...]
    found_days: int | None = None
    found_after: int | None = None
    found_as: str = ""
    seen: dict[str, int] = field(default_factory=dict)
    false: tuple[str, ...] = ()
    spf: float | None = None
    spf_low: float | None = None
    spf_high: float | None = None
    spf_true: float | None = None
    kwh_year: float | None = None
    kwh_year_true: float | None = None

    def row(self) -> dict[str, Any]:
        """As plain data."""
        return asdict(self)


def evaluate(kind: str, strength: str, seed: int, cache: Path | None = None) -> Result:
    """Live a year and look at it as its installer would."""
    cache = CACHE if cache is None else cache
    return watch(lived(kind, strength, seed, cache), cache)


def watch(year: Lived, cache: Path = CACHE) -> Result:
    """Look at a year again and again."""
    start = year.site.midnight(year.site.commissioned)
    onset = (year.begins - start).days
    last = (year.ends - start).days
    frames = derived(year)
    seen: dict[str, int] = {}
    early: set[str] = set()
    found_days: int | None = None
    found_as = ""
    told: tuple[Seen, Finding] | None = None
    true = {*year.expected, *ALSO_TRUE.get(year.kind, {})}
    false: set[str] = set()
    if onset > 30:
        for found in findings(_look(year, frames, start, onset, whole=True)):
            seen[found.kind] = onset
            early.add(found.kind)
            if not _weather_tells(year, found.kind, onset):
                false.add(found.kind)
    day, turn = onset, 0
    while day < last:
        step = _step(year, day - onset, found=found_days is not None)
        day, turn = min(day + step, last), turn + 1
        # What takes the home's energy model is computed each week.
        sight = _look(year, frames, start, day, whole=step > 3 or turn % 2 == 0)
        for found in findings(sight):
            seen.setdefault(found.kind, day)
            if found.kind not in true and not _weather_tells(year, found.kind, day):
                false.add(found.kind)
            if found.kind in year.expected and found.kind not in early:
                if found_days is None:
                    found_days, found_as = day - onset, found.kind
                if found.kind == found_as:
                    told = (sight, found)
    result = Result(
        kind=year.kind,
        strength=year.strength,
        seed=year.seed,
        expected=year.expected,
        found_days=found_days,
        found_after=None if found_days is None else _after(year, onset, onset + found_days),
        found_as=found_as,
        seen=seen,
        false=tuple(sorted(false)),
    )
    return result if told is None else _with_effect(result, year, cache, *told)


def _after(year: Lived, onset: int, day: int) -> int:
    """Days that tell a trouble up to a look, beyond those that are enough data."""
    tells = TELLS.get(year.kind, Tells())
    below = year.truth["size"] if tells.below_c == "size" else tells.below_c
    since = year.truth["daily"].slice(onset, day - onset)["outdoor_c"]
    telling = pl.Series([True] * len(since))
    if below is not None:
        telling &= since < below
    if tells.above_c is not None:
        telling &= since > tells.above_c
    return int(telling.sum()) - tells.enough


def _step(year: Lived, since: int, *, found: bool) -> int:
    """Days to the next look."""
    if year.kind in HEALTHY:
        return HEALTHY_DAYS
    if found:
        return AFTER_FOUND_DAYS
    return next(step for until, step in STEPS if since < until)


def _look(year: Lived, frames: Derived, start: datetime, day: int, *, whole: bool) -> Seen:
    at = min(start + timedelta(days=day, hours=3), year.ends)
    if year.kind == "register-stuck":
        # Only later does the record tell that it had been frozen.
        frames = derived(year, until=at)
    return look(year, at, with_assessment=whole, known=frames)


def _weather_tells(year: Lived, key: str, day: int) -> bool:
    """Whether a finding is about the weather, and the weather was like that."""
    if key not in OF_WEATHER:
        return False
    so_far = year.truth["daily"].head(day).filter(pl.col("normal_c") < 15.0)
    colder = (so_far["normal_c"] - so_far["outdoor_c"]).mean()
    return isinstance(colder, float) and colder >= COLDER_K


def _with_effect(result: Result, year: Lived, cache: Path, sight: Seen, found: Finding) -> Result:
    """Compare what the finding says that it costs with the truth up to that look."""
    account = sight.standing.account
    if found.effect is None or account is None or account.spf is None:
        return result
    daily = year.truth["daily"]
    end = sight.now.astimezone(year.site.tz).date()
    so_far = daily.filter(daily["day"] < end)
    total = so_far.drop("day", "outdoor_c", "normal_c").sum().row(0, named=True)
    spf_true = total["heat"] / total["electricity"]
    if year.kind in OF_METERS:
        cost, extra = spf_true - account.spf, None
    else:
        cost = total["heat_sound"] / total["electricity_sound"] - spf_true
        extra = extra_of_a_year(
            year.kind, year.strength, year.seed, cache, of_heat=year.kind in OF_HEAT
        )
    fields = {
        "spf": found.effect.spf,
        # The true cost of a meter's trouble also has what meters of its class err.
        "spf_low": None if year.kind in OF_METERS else found.effect.low,
        "spf_high": None if year.kind in OF_METERS else found.effect.high,
        "spf_true": cost,
        "kwh_year": found.effect.kwh_year,
        "kwh_year_true": extra,
    }
    return Result(**{**vars(result), **fields})
