"""A weather allowance: the SPF moved to the reference climate, beside the one measured.

Terms may grant that a winter colder or milder than usual shall not decide. The home's own
energy model then says by how much its SPF would have differed if each month had had the
mean temperature of the reference climate; everything else stays as it was. The factor is
applied to the SPF as measured, which is never replaced.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.guarantee.basis import Basis
from monitor.guarantee.home_days import HomeDays, home_days
from monitor.guarantee.worlds import Lever, Reference, Worlds, members
from monitor.metrics import climate as weather
from monitor.models import Record

Values = npt.NDArray[np.float64]

DRAWS: Final = 200
SEED: Final = 20_260_103

#: Standard uncertainty of a site's outdoor temperature against the station of the reference
#: climate, once it has been moved to the place, K. Common practice, no source.
SENSOR_U_K: Final = 0.5

#: What the form of the model misses of the change, relative, and in the factor itself.
#: Set on the training years of tests/shortfall_study.
FORM_SPREAD: Final = 0.15
FORM_U: Final = 0.003

#: Standard deviation of a backup heater's share of the space heat from year to year,
#: relative. Set on the same training years.
BACKUP_SPREAD: Final = 0.12

#: Share of the measured heat that must lie on known whole days. Common practice, no source.
LEAST_SHARE: Final = 0.8


class Allowance(Record):
    """An SPF moved to the reference climate, or why it cannot be.

    Attributes
    ----------
    spf, u_spf
        Moved SPF and its standard uncertainty; None where it cannot be told.
    factor, u_factor
        What the measured SPF was multiplied with.
    colder_k
        How much colder than the reference climate the days were on average, K; negative
        where they were milder.
    heat_factor, electricity_factor
        The same for the two energies.
    u_parameters, u_sensor, u_backup, u_form
        Contributions to u_factor: parameters of the model, outdoor temperature, what a backup
        heater would have done in other weather, form of the model.
    days, share
        Whole days that the factor was taken from, and their share of the measured heat.
    climate
        Origin of the reference climate.
    sentence
        In words.
    """

    spf: float | None
    u_spf: float | None
    factor: float | None
    u_factor: float | None
    colder_k: float | None
    heat_factor: float | None = None
    electricity_factor: float | None = None
    u_parameters: float | None = None
    u_sensor: float | None = None
    u_backup: float | None = None
    u_form: float | None = None
    days: int = 0
    share: float = 0.0
    climate: str
    sentence: str


def allowance(base: Basis, climate: weather.Climate | None) -> Allowance:
    """Move the SPF so far to the reference climate.

    Parameters
    ----------
    climate
        The reference climate that both parties agreed on; None where none is on record.
    """
    if climate is None:
        return not_moved("", "no such climate is on record; import the weather file it names.")
    so_far = base.so_far
    if so_far.spf is None or so_far.u_spf is None or so_far.heat_kwh <= 0:
        return not_moved(climate.origin, "nothing has been measured of the period yet.")
    # Days outside of the period are not part of a settlement's record.
    home = home_days(replace(base, days=base.own_days), climate)
    if isinstance(home, str):
        return not_moved(climate.origin, home)
    if not home.model.adequate:
        return not_moved(climate.origin, home.model.sentence)
    share = home.heat_kwh / so_far.heat_kwh
    if share < LEAST_SHARE:
        return not_moved(
            climate.origin,
            f"only {share:.0%} of the measured heat lies on days that are known as a whole with "
            f"their outdoor temperature; at least {LEAST_SHARE:.0%} are needed.",
        )
    heat, used = _factors(home)
    factor = heat / used
    point = float(factor[0])
    warm_heat, warm_used = _factors(home, SENSOR_U_K)
    same_heat, same_used = _factors(home, backup_share=None)
    more_heat, more_used = _factors(home, backup_share=1.0 + BACKUP_SPREAD)
    u_parameters = float(np.std(factor[1:], ddof=1))
    u_sensor = abs(float(warm_heat[0] / warm_used[0]) - point)
    # A backup heater may keep its heat, or change by twice as much as the house; and its
    # share is another in each year.
    same = abs(float(same_heat[0] / same_used[0]) - point) / sqrt(3.0)
    more = abs(float(more_heat[0] / more_used[0]) - point)
    u_backup = float(np.hypot(same, more))
    u_form = float(np.hypot(FORM_SPREAD * (point - 1.0), FORM_U))
    u_factor = float(np.linalg.norm([u_parameters, u_sensor, u_backup, u_form]))
    spf = so_far.spf * point
    u_spf = float(np.hypot(point * so_far.u_spf, so_far.spf * u_factor))
    colder = float(np.mean(home.table.reference_c - home.table.outdoor_c))
    word = f"{abs(colder):.1f} K {'colder' if colder >= 0 else 'milder'}"
    return Allowance(
        spf=spf,
        u_spf=u_spf,
        factor=point,
        u_factor=u_factor,
        colder_k=colder,
        heat_factor=float(heat[0]),
        electricity_factor=float(used[0]),
        u_parameters=u_parameters,
        u_sensor=u_sensor,
        u_backup=u_backup,
        u_form=u_form,
        days=len(home.table.number),
        share=share,
        climate=climate.origin,
        sentence=(
            f"The days so far were {word} than the reference climate ({climate.origin}); moved "
            f"to it, the SPF of {so_far.spf:.2f} as measured becomes {spf:.2f} (standard "
            f"uncertainty {u_spf:.2f})."
        ),
    )


def _factors(
    home: HomeDays, warmer_k: float = 0.0, *, backup_share: float | None = 1.0
) -> tuple[Values, Values]:
    """Heat and electricity in the reference climate over those in the weather that was."""
    table = replace(home.table, reference_c=home.table.reference_c + warmer_k)
    found = members(home.model, DRAWS, np.random.default_rng(SEED))
    worlds = Worlds(table, found, _as_it_was(DRAWS + 1), air_source=home.model.air_source)
    all_levers = frozenset(Lever)
    heat, used = worlds.energies(all_levers)
    other_heat, other_used = worlds.energies(
        all_levers - {Lever.WEATHER}, backup_share=backup_share
    )
    return (
        np.asarray(other_heat / np.maximum(heat, 1e-9)),
        np.asarray(other_used / np.maximum(used, 1e-9)),
    )


def _as_it_was(count: int) -> Reference:
    """A reference of which no world here asks anything: only the weather is moved."""
    nothing = np.zeros(count)
    return Reference(np.zeros(1), 0.0, None, None, nothing, nothing, None, None, nothing)


def not_moved(climate: str, why: str) -> Allowance:
    """An allowance that cannot be computed, and why."""
    named = f" ({climate})" if climate else ""
    return Allowance(
        spf=None,
        u_spf=None,
        factor=None,
        u_factor=None,
        colder_k=None,
        climate=climate,
        sentence=f"The SPF cannot be moved to the reference climate{named}: {why}",
    )
